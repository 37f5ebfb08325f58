"""Patients, coverage and consent: what is refused, how a patient is found, who pays from when."""

from dataclasses import replace
from datetime import date

import pytest

from resupply.models import Consent, Coverage, FindToken, Patient, PlanLine
from resupply.queries.finding import phone_token
from resupply.services import people, plans
from resupply.services.errors import Refused
from resupply.services.find_tokens import fold
from tests.builders import NOW, TODAY, make_dispense, make_event, make_patient, make_payer
from tests.cast import Cast


@pytest.fixture
def details(cast: Cast) -> people.PatientDetails:
    return people.PatientDetails(
        reference="2001",
        given_name="Zoë",
        family_name="Nuñez-O’Brien",
        birth_date=date(1955, 7, 9),
        location=cast.north,
        phone="+1 (303) 555-0199",
        time_zone="America/Denver",
        therapy_started_on=date(2025, 5, 1),
    )


def test_a_new_patient_is_covered_from_the_start_of_therapy(
    cast: Cast, details: people.PatientDetails
) -> None:
    patient = people.create_patient(details, by=cast.desk.user, now=NOW, payer=cast.payer)
    coverage = Coverage.objects.get(patient=patient)
    assert (coverage.payer, coverage.starts_on, coverage.recorded_by) == (
        cast.payer,
        date(2025, 5, 1),
        cast.desk.user,
    )


def test_find_tokens_are_folded_and_take_names_apart(details: people.PatientDetails, cast: Cast) -> None:
    patient = people.create_patient(details, by=None, now=NOW)
    assert set(FindToken.objects.filter(patient=patient).values_list("token", flat=True)) == {
        "zoe",
        "nunez-o’brien",
        "nunez",
        "o",
        "brien",
        "2001",
        "1955-07-09",
        "07/09/1955",
        "7/9/1955",
        *(phone_token(digits) for digits in ("13035550199", "3035550199", "5550199", "0199")),
    }


@pytest.mark.parametrize(
    ("typed", "folded"),
    [("Åse", "ase"), ("STRASSE", "strasse"), ("Straße", "strasse"), ("Łukasz", "lukasz"), ("Ðorđe", "dorde"),
     ("Søren", "soren"), ("İnci", "inci")],
)  # fmt: skip
def test_folding(typed: str, folded: str) -> None:
    assert fold(typed) == folded


def test_a_corrected_name_is_found_and_the_old_one_no_more(details: people.PatientDetails) -> None:
    patient = people.create_patient(details, by=None, now=NOW)
    people.update_patient(patient, replace(details, given_name="Chloé"), now=NOW)
    tokens = set(FindToken.objects.filter(patient=patient).values_list("token", flat=True))
    assert "chloe" in tokens
    assert "zoe" not in tokens


def test_find_tokens_move_to_another_location_with_their_patient(
    details: people.PatientDetails, cast: Cast
) -> None:
    patient = people.create_patient(details, by=None, now=NOW)
    assert set(patient.find_tokens.values_list("location", flat=True)) == {details.location.pk}
    elsewhere = next(place for place in (cast.north, cast.south) if place != details.location)
    people.update_patient(patient, replace(details, location=elsewhere, given_name="Chloé"), now=NOW)
    assert set(patient.find_tokens.values_list("location", flat=True)) == {elsewhere.pk}


REFUSED = [
    ({"reference": "1047"}, "reference_taken", "reference"),
    ({"reference": "  "}, "reference_missing", "reference"),
    ({"given_name": " ", "family_name": ""}, "name_missing", "family_name"),
    ({"birth_date": date(2026, 3, 19)}, "birth_date", "birth_date"),
    ({"birth_date": date(1899, 12, 31)}, "birth_date", "birth_date"),
    ({"time_zone": "Mars/Base"}, "time_zone", "time_zone"),
    ({"therapy_started_on": date(1950, 1, 1)}, "before_birth", "therapy_started_on"),
]


@pytest.mark.parametrize(("over", "code", "field"), REFUSED, ids=[row[1] for row in REFUSED])
def test_refused(over: dict[str, object], code: str, field: str, details: people.PatientDetails) -> None:
    with pytest.raises(Refused) as refused:
        people.create_patient(replace(details, **over), by=None, now=NOW)  # type: ignore[arg-type]
    assert (refused.value.code, refused.value.field) == (code, field)
    assert Patient.objects.count() == 2


def test_a_birth_date_after_a_dispense_is_refused(details: people.PatientDetails) -> None:
    patient = people.create_patient(details, by=None, now=NOW)
    make_dispense(patient, on=date(2026, 1, 1))
    wrong = replace(details, birth_date=date(2026, 1, 2), therapy_started_on=None)
    with pytest.raises(Refused) as refused:
        people.update_patient(patient, wrong, now=NOW)
    assert refused.value.code == "birth_date"


def test_moving_and_ending_therapy_follow_into_the_plan(cast: Cast) -> None:
    patient = make_patient(location=cast.north, reference="3001")
    make_dispense(patient)
    plans.refresh_plans([patient.pk], now=NOW)
    moved = people.PatientDetails(
        reference="3001",
        given_name="Test",
        family_name="Moved",
        birth_date=patient.birth_date,
        location=cast.south,
        time_zone="America/Chicago",
    )
    people.update_patient(patient, moved, now=NOW)
    people.change_status(patient, "ended", now=NOW)
    plan = PlanLine.objects.get(patient=patient)
    assert (plan.location, plan.active) == (cast.south, False)
    with pytest.raises(Refused):
        people.change_status(patient, "on_holiday", now=NOW)


def test_a_new_payer_of_the_same_day_replaces_the_first(cast: Cast) -> None:
    first, second = make_payer(), make_payer()
    make_dispense(cast.tevin)
    people.set_coverage(cast.tevin, first, starts_on=TODAY, by=cast.desk.user, now=NOW)
    people.set_coverage(cast.tevin, second, starts_on=TODAY, by=cast.desk.user, now=NOW)
    assert Coverage.objects.filter(voided_at=None).get(patient=cast.tevin).payer == second
    assert PlanLine.objects.get(patient=cast.tevin).payer == second
    people.set_coverage(cast.tevin, None, starts_on=TODAY, by=cast.desk.user, now=NOW)
    assert PlanLine.objects.get(patient=cast.tevin).payer is None


def test_consent_is_a_ledger_of_answers(cast: Cast) -> None:
    people.give_consent(cast.odalys, "mail", given_on=TODAY, how="at the desk", by=cast.desk.user, now=NOW)
    people.withdraw_consent(cast.odalys, "mail", given_on=TODAY, how="by phone", by=None, now=NOW)
    assert list(Consent.objects.order_by("id").values_list("granted", flat=True)) == [True, False]
    for over, code in [
        ({"channel": "pigeon"}, "channel"),
        ({"how": " "}, "how_missing"),
        ({"given_on": date(2026, 3, 19)}, "future"),
    ]:
        values: dict[str, object] = {"channel": "mail", "given_on": TODAY, "how": "at the desk"} | over
        with pytest.raises(Refused) as refused:
            people.give_consent(cast.odalys, by=None, now=NOW, **values)  # type: ignore[arg-type]
        assert refused.value.code == code


def test_nobody_is_born_after_what_happened_to_them(cast: Cast) -> None:
    make_event(cast.tevin, "loss", kind="mask", on=date(1999, 5, 4))
    details = people.PatientDetails(
        reference=cast.tevin.reference, given_name="Tevin", family_name="Okafor", birth_date=date(1999, 5, 5),
        location=cast.tevin.location, time_zone="America/Chicago",
    )  # fmt: skip
    with pytest.raises(Refused, match="of Tue 4 May 1999"):
        people.update_patient(cast.tevin, details, now=NOW)
    assert people.update_patient(cast.tevin, replace(details, birth_date=date(1999, 5, 4)), now=NOW)
