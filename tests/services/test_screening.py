"""Screens about magnets as the service records them, and what stops magnetic items afterwards."""

from datetime import date, timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from pytest_django import DjangoAssertNumQueries

from resupply.models import Contact, MagnetScreen, Outcome, Patient, PatientStatus, Role, Said
from resupply.queries import patients as patient_queries
from resupply.queries import screening as screens_of
from resupply.rules import magnets
from resupply.rules.kinds import Kind
from resupply.rules.magnets import Reason, implants, verdict
from resupply.services import plans, screening
from resupply.services.errors import Refused
from tests.builders import (
    NOW,
    TODAY,
    make_dispense,
    make_event,
    make_item,
    make_location,
    make_patient,
    make_screen,
    make_staff,
)

pytestmark = pytest.mark.django_db

NO = dict.fromkeys(implants(), "no")


@pytest.fixture
def patient() -> Patient:
    return make_patient(screened=False)


def record(patient: Patient, **over: Any) -> MagnetScreen:
    """A screen of today with no on every line of both, by the desk."""
    values: dict[str, Any] = {"asked_on": TODAY, "wearer": NO, "close_contact": NO, "by": None, "now": NOW}
    return screening.record_screen(patient=patient, **values | over)


def refusal(patient: Patient, **over: Any) -> Refused:
    """What `record` is refused with; nothing is written."""
    before = MagnetScreen.objects.count()
    with pytest.raises(Refused) as refused:
        record(patient, **over)
    assert MagnetScreen.objects.count() == before
    return refused.value


def reason_of(patient: Patient, *, day: date = TODAY) -> Reason | None:
    """Why magnetic items are stopped; three ways of asking agree."""
    found = verdict(screens_of.newest_screen(patient.pk), as_of=day)
    assert (patient.pk in screens_of.blocks_magnets([patient.pk], today=day)) is found.blocked
    assert patient_queries.standing(patient, today=day).magnets == found
    return found.reason


def test_models_and_rules_say_the_same_words() -> None:
    assert {said.value for said in Said} == {said.value for said in magnets.Said}


def test_no_on_every_line_of_both_lets_magnets_through_for_a_year(patient: Patient) -> None:
    assert reason_of(patient) is Reason.NOT_ASKED
    row = record(patient)
    assert (row.wearer, row.close_contact, row.recorded_at) == ("no", "no", NOW)
    assert row.details == {"wearer": NO, "close_contact": NO, "kept": {"wearer": [], "close_contact": []}}
    assert reason_of(patient) is None
    assert reason_of(patient, day=date(2027, 3, 17)) is None
    assert reason_of(patient, day=date(2027, 3, 18)) is Reason.OLD


@pytest.mark.parametrize(
    ("wearer", "close", "derived", "sentence"),
    [
        ({"pacemaker": "yes"}, {}, ("yes", "no"), "any yes of the wearer"),
        ({}, {"hearing_implant": "yes"}, ("no", "yes"), "any yes of anyone in close contact"),
        ({"stent": "unknown"}, {}, ("unknown", "no"), "else any not known"),
        ({"stent": "unknown", "shrapnel": "yes"}, {}, ("yes", "no"), "a yes outweighs not known"),
        ({"cataract_lens": "yes"}, {"cataract_lens": "unknown"}, ("no", "no"), "a cataract lens is no"),
    ],
)
def test_what_is_derived(
    patient: Patient, wearer: dict[str, str], close: dict[str, str], derived: tuple[str, str], sentence: str
) -> None:
    row = record(patient, wearer=NO | wearer, close_contact=NO | close)
    assert (row.wearer, row.close_contact) == derived, sentence


def test_lines_left_open_are_refused_and_the_first_is_named(patient: Patient) -> None:
    found = refusal(patient, close_contact={code: "no" for code in NO if code not in {"stent", "shrapnel"}})
    assert (found.code, found.field) == ("answers_missing", "close_contact_stent")
    assert f"2 of {len(NO)} lines" in found.message


def test_a_yes_is_never_held_back_by_lines_left_open(patient: Patient) -> None:
    row = record(patient, wearer={"pacemaker": "yes"}, close_contact={})
    assert (row.wearer, row.close_contact) == ("yes", "unknown")
    assert reason_of(patient) is Reason.YES


@pytest.mark.parametrize(
    ("over", "code", "field"),
    [
        ({"asked_on": TODAY + timedelta(days=1)}, "future", "asked_on"),
        ({"asked_on": date(1961, 2, 3)}, "before_birth", "asked_on"),
        ({"wearer": NO | {"pacemaker": "maybe"}}, "answer", None),
        ({"wearer": NO | {"hat": "no"}}, "answer", None),
        ({"cleared_reason": "taken out"}, "nothing_to_clear", "cleared_reason"),
    ],
)
def test_refused(patient: Patient, over: dict[str, Any], code: str, field: str | None) -> None:
    found = refusal(patient, **over)
    assert (found.code, found.field) == (code, field)


# --- a yes holds --------------------------------------------------------------------------------------------


@pytest.fixture
def positive(patient: Patient) -> Patient:
    record(patient, wearer=NO | {"pacemaker": "yes"}, close_contact=NO | {"stent": "yes"})
    return patient


@pytest.mark.parametrize("role", [None, Role.DESK, Role.MANAGER])
def test_who_may_not_clear_a_yes(positive: Patient, role: Role | None) -> None:
    by = role and make_staff(role).user
    assert refusal(positive, by=by).code == "yes_holds"
    assert refusal(positive, by=by, wearer=NO | {"stent": "unknown"}).code == "yes_holds"
    assert refusal(positive, by=by, cleared_reason="taken out").code == "not_yours"
    assert refusal(positive, by=by, by_patient=True).code == "yes_holds"
    assert reason_of(positive) is Reason.YES


@pytest.mark.parametrize("role", [Role.THERAPIST, Role.ADMINISTRATOR])
def test_who_may_clear_a_yes_and_only_with_a_reason(positive: Patient, role: Role) -> None:
    by = make_staff(role).user
    assert refusal(positive, by=by).code == "reason_missing"
    assert refusal(positive, by=by, cleared_reason="x" * 301).code == "reason_long"
    assert reason_of(positive) is Reason.YES
    row = record(positive, by=by, cleared_reason="  taken out, letter seen ")
    assert (row.wearer, row.close_contact, row.cleared_reason) == ("no", "no", "taken out, letter seen")
    assert reason_of(positive) is None


def test_a_newer_yes_keeps_the_older_ones(positive: Patient) -> None:
    """The desk asks again and hears of another implant; what is not repeated is kept, and marked as such."""
    row = record(positive, wearer=NO | {"csf_shunt": "yes"}, by=make_staff(Role.DESK).user)
    assert (row.wearer, row.close_contact) == ("yes", "yes")
    assert row.details["wearer"]["pacemaker"] == "no"
    assert row.details["kept"] == {"wearer": ["pacemaker"], "close_contact": ["stent"]}
    rows = list(MagnetScreen.objects.order_by("pk"))
    assert screens_of.named(rows) == {"wearer": ["pacemaker", "csf_shunt"], "close_contact": ["stent"]}


def test_clearing_with_a_new_yes_leaves_the_new_one_alone(positive: Patient) -> None:
    by = make_staff(Role.THERAPIST).user
    row = record(positive, close_contact=NO | {"stent": "yes"}, cleared_reason="pacemaker out", by=by)
    assert (row.wearer, row.close_contact) == ("no", "yes")
    assert screens_of.named(MagnetScreen.objects.order_by("pk"))["wearer"] == []
    assert reason_of(positive) is Reason.YES


def test_a_yes_without_details_holds_too(patient: Patient) -> None:
    """As an import or an earlier release may have written it."""
    make_screen(patient, wearer="yes")
    record(patient, close_contact=NO | {"stent": "yes"})
    assert MagnetScreen.objects.latest("pk").wearer == "yes"
    make_screen(patient)  # around the service: the rule holds it all the same
    assert reason_of(patient) is Reason.YES


# --- taken back ---------------------------------------------------------------------------------------------


def test_what_was_before_counts_again(patient: Patient) -> None:
    record(patient)
    row = record(patient, wearer=NO | {"stent": "unknown"})
    assert reason_of(patient) is Reason.NOT_KNOWN
    screening.void_screen(row, reason="another patient's", by=make_staff(Role.DESK).user, now=NOW)
    assert reason_of(patient) is None
    row.refresh_from_db()
    assert (row.void_reason, row.voided_at) == ("another patient's", NOW)


@pytest.mark.parametrize("role", list(Role))
def test_a_yes_is_not_voided_away_by_others_than_those_who_clear(positive: Patient, role: Role) -> None:
    row, by = MagnetScreen.objects.get(), make_staff(role).user
    if role in {Role.THERAPIST, Role.ADMINISTRATOR}:
        screening.void_screen(row, reason="another patient's", by=by, now=NOW)
        assert reason_of(positive) is Reason.NOT_ASKED
    else:
        with pytest.raises(Refused, match="hand this to a therapist"):
            screening.void_screen(row, reason="another patient's", by=by, now=NOW)
        assert reason_of(positive) is Reason.YES


def test_a_cleared_yes_comes_back_with_the_void_of_its_clearing(positive: Patient) -> None:
    row = record(positive, by=make_staff(Role.THERAPIST).user, cleared_reason="taken out")
    screening.void_screen(row, reason="wrong letter", by=make_staff(Role.DESK).user, now=NOW)
    assert reason_of(positive) is Reason.YES


@pytest.mark.parametrize(("reason", "code"), [("", "reason_missing"), ("x" * 301, "reason_long")])
def test_a_void_says_why(patient: Patient, reason: str, code: str) -> None:
    row = record(patient)
    with pytest.raises(Refused) as refused:
        screening.void_screen(row, reason=reason, by=None, now=NOW)
    assert refused.value.code == code
    screening.void_screen(row, reason="slip", by=None, now=NOW)
    with pytest.raises(Refused) as again:
        screening.void_screen(row, reason="slip", by=None, now=NOW)
    assert again.value.code == "already_void"


# --- which parts are held, and who is urgent ----------------------------------------------------------------


def held(patient: Patient) -> list[tuple[Kind, bool, bool, int]]:
    """Kind, whether surely magnetic, whether in use, units."""
    parts = screens_of.held_parts([patient.pk], today=TODAY)[patient.pk]
    return [(part.kind, part.is_certain, part.in_use, part.units) for part in parts]


def give(
    patient: Patient, magnetic: str | None, *, on: date = TODAY - timedelta(days=20), **line: Any
) -> None:
    """Two full face masks, one in use and one spare, of an item with, perhaps with or without magnets."""
    values = {"kind": "mask", "part_code": "A7030", "family": "Larch"}
    item = make_item(**values, magnetic=magnetic) if magnetic else None
    make_dispense(
        patient,
        on=TODAY - timedelta(days=20),
        lines=[{"item": item, **values, "quantity": 2, "recorded_at": NOW, **line}],
    )


def test_parts_in_use_and_spare_are_listed(patient: Patient) -> None:
    give(patient, "yes")
    assert held(patient) == [(Kind.MASK, True, True, 1), (Kind.MASK, True, False, 1)]


@pytest.mark.parametrize(("magnetic", "certain"), [("unknown", False), (None, False)])
def test_unknown_and_bare_codes_count(patient: Patient, magnetic: str | None, certain: bool) -> None:
    give(patient, magnetic)
    assert held(patient) == [(Kind.MASK, certain, True, 1), (Kind.MASK, certain, False, 1)]


def test_parts_packed_with_a_magnetic_mask_count_where_they_may_hold_magnets(patient: Patient) -> None:
    give(patient, "yes", quantity=1, contains=["A7031", "A7035"])
    assert held(patient) == [(Kind.HEADGEAR, True, True, 1), (Kind.MASK, True, True, 1)]


def test_what_is_not_held_is_not_listed(patient: Patient) -> None:
    give(patient, "no")
    make_dispense(patient, on=TODAY, lines=[{"part_code": "A7037"}])
    voided = make_dispense(patient, on=TODAY, lines=[{"part_code": "A7035"}])
    voided.lines.update(voided_at=NOW, void_reason="slip")
    assert held(patient) == []
    other = make_patient()
    give(other, "yes")
    make_event(other, "refit", on=TODAY, family="Aspen")
    assert held(other) == []


@pytest.fixture
def urgent_patient(positive: Patient) -> Patient:
    give(positive, "yes")
    return positive


def urgent(*locations: int) -> list[Patient]:
    return [found.patient for found in screens_of.urgent(locations, today=TODAY)]


def reach(patient: Patient, outcome: str, *, minutes: int = 5, **over: Any) -> Contact:
    at = NOW + timedelta(minutes=minutes)
    return Contact.objects.create(patient=patient, on=TODAY, outcome=outcome, recorded_at=at, **over)


def test_a_yes_and_a_magnetic_part_is_urgent_until_somebody_is_reached(urgent_patient: Patient) -> None:
    assert urgent() == [urgent_patient]
    assert screens_of.waits_for_call(urgent_patient)
    reach(urgent_patient, Outcome.REACHED, minutes=-5)  # before the yes was recorded
    reach(urgent_patient, Outcome.NO_ANSWER)
    reach(urgent_patient, Outcome.LEFT_WORD)
    reach(urgent_patient, Outcome.REACHED, voided_at=NOW, void_reason="another patient")
    assert urgent() == [urgent_patient]
    reach(urgent_patient, Outcome.REACHED)
    assert urgent() == []
    assert not screens_of.waits_for_call(urgent_patient)


def test_a_newer_yes_is_urgent_again(urgent_patient: Patient) -> None:
    reach(urgent_patient, Outcome.REACHED)
    record(urgent_patient, wearer=NO | {"pacemaker": "yes"}, now=NOW + timedelta(minutes=9))
    assert urgent() == [urgent_patient]


def test_one_more_magnetic_part_is_urgent_again(urgent_patient: Patient) -> None:
    """As from another supplier, or by an import: the desk gives none."""
    reach(urgent_patient, Outcome.REACHED)
    give(urgent_patient, "no", recorded_at=NOW + timedelta(minutes=9))
    assert urgent() == []
    give(urgent_patient, None, recorded_at=NOW + timedelta(minutes=9))
    assert urgent() == [urgent_patient]


def test_who_is_not_urgent(urgent_patient: Patient) -> None:
    here = urgent_patient.location_id
    assert urgent(here) == [urgent_patient]
    assert urgent(make_location().pk) == []
    safe, unasked = make_patient(), make_patient(screened=False)
    for other in (safe, unasked):
        give(other, "yes")
    without = make_patient(screened=False)
    give(without, "no")
    record(without, wearer=NO | {"pacemaker": "yes"})
    assert urgent() == [urgent_patient]
    urgent_patient.status = PatientStatus.ENDED
    urgent_patient.save()
    assert urgent() == []


def test_a_cleared_yes_is_not_urgent(urgent_patient: Patient) -> None:
    record(urgent_patient, by=make_staff(Role.THERAPIST).user, cleared_reason="taken out")
    assert urgent() == []


def test_those_who_are_let_go_hide_nobody(urgent_patient: Patient, monkeypatch: pytest.MonkeyPatch) -> None:
    """However many there are: longer ago somebody's yes was cleared, and nobody had to be called."""
    monkeypatch.setattr(screens_of, "LOOKED_AT", 1)
    monkeypatch.setattr(screens_of, "MOST_URGENT", 1)
    record(urgent_patient, by=make_staff(Role.THERAPIST).user, cleared_reason="taken out")
    later = make_patient(screened=False)
    give(later, "yes", recorded_at=NOW + timedelta(minutes=9))
    record(later, wearer=NO | {"pacemaker": "yes"}, now=NOW + timedelta(minutes=9))
    assert urgent() == [later]


def test_the_same_queries_for_one_and_for_many(
    urgent_patient: Patient, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    with CaptureQueriesContext(connection) as one:
        assert len(urgent()) == 1
    for _ in range(3):
        other = make_patient(screened=False)
        give(other, "yes")
        record(other, wearer=NO | {"pacemaker": "yes"})
    with django_assert_num_queries(len(one)):
        assert len(urgent()) == 4
    everybody = list(Patient.objects.values_list("pk", flat=True))
    with django_assert_num_queries(1):
        assert len(screens_of.blocks_magnets(everybody, today=TODAY)) == 4


def test_plans_do_not_depend_on_screens(urgent_patient: Patient) -> None:
    plans.refresh_plans([urgent_patient.pk], now=NOW)
    record(urgent_patient, by=make_staff(Role.THERAPIST).user, cleared_reason="taken out")
    assert plans.refresh_plans([urgent_patient.pk], now=NOW) == 0
