"""Small reads, each at the edge where it once said something untrue."""

from datetime import date, timedelta

import pytest
from pytest_django import DjangoAssertNumQueries

from resupply.models import FittingTry, Message, Night, Patient, PatientRead, ReadKind
from resupply.queries import occasions
from resupply.queries.disclosures import accounting
from resupply.queries.fittings import fittings, style_worn
from resupply.queries.follow_ups import due_for
from resupply.queries.message_days import mailboxes
from resupply.queries.nights import rising_leak
from resupply.queries.outlook import ItemDemand, Outlook
from resupply.queries.overdue_past import past_lines, patients_at
from resupply.queries.patients import consents
from resupply.queries.questions import to_repeat
from resupply.queries.recalls import all_recalls, units_held
from resupply.queries.slips import slip_of
from resupply.queries.strips import strip_data
from resupply.rules.demand import Order
from resupply.rules.message_terms import MessageTerms
from resupply.rules.purposes import Purpose
from resupply.services import plans
from tests.builders import (
    NOW,
    TODAY,
    make_consent,
    make_dispense,
    make_fitting,
    make_follow_up_plan,
    make_item,
    make_nights,
    make_patient,
    make_question,
    make_recall,
)

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)


def test_an_accounting_is_complete() -> None:
    """45 CFR 164.528(a): every disclosure of the six years, however many there are."""
    patient = make_patient()
    PatientRead.objects.bulk_create(
        PatientRead(at=NOW - DAY * n, kind=ReadKind.FILE, page="manager:overdue_csv", patients=[patient.pk])
        for n in range(600)
    )
    found = accounting(patient, today=TODAY)
    assert len(found) == 600
    assert [row.at for row in found] == sorted((row.at for row in found), reverse=True)


def test_a_voided_night_is_no_recent_one() -> None:
    patient = make_patient()
    make_dispense(patient, on=TODAY - DAY * 60)
    plans.refresh_plans([patient.pk], now=NOW)
    make_nights(patient, first=TODAY - DAY * 60, minutes=[400] * 60)
    Night.objects.update(leak_p95=10)
    Night.objects.filter(night_on__gt=TODAY - DAY * 20).update(leak_p95=40)
    assert [found for found, _ in rising_leak([], today=TODAY, recent=TODAY - DAY * 9)] == [patient]
    Night.objects.filter(night_on__gte=TODAY - DAY * 9).update(voided_at=NOW, void_reason="another's file")
    assert rising_leak([], today=TODAY, recent=TODAY - DAY * 9) == []
    assert rising_leak([], today=TODAY, recent=TODAY - DAY * 12) != []


@pytest.mark.parametrize(("days", "style"), [(9, "nasal"), (-1, "")])
def test_the_style_of_a_newer_mask_on_record_by_its_code_is_not_known(days: int, style: str) -> None:
    patient = make_patient()
    mask = make_item(kind="mask", part_code="A7034", style="nasal")
    make_fitting(patient, fitted_on=TODAY - DAY * 5, outcome="kept", item_kept=mask)
    make_dispense(patient, on=TODAY - DAY * 5 - DAY * days, lines=[{"part_code": "A7034"}])
    assert style_worn(patient, today=TODAY) == style


def test_withdrawn_patients_are_not_counted_among_those_looked_at() -> None:
    kept, gone = make_patient(), make_patient(status="withdrawn")
    assert past_lines(0, day=TODAY, location_ids=[], limit=9)[0] == kept.pk < gone.pk
    assert patients_at([]) == patients_at([kept.location_id]) == 1


def test_what_runs_short_first_is_ordered_first() -> None:
    items = [
        ItemDemand(None, None, Order(1, weeks, 0, short, 0), None, None)  # type: ignore[arg-type]
        for weeks, short in ((0, 3), (2, 9), (0, -1), (1, 5), (0, 2))
    ]
    found = Outlook(None, [], items, 0, 0.0)  # type: ignore[arg-type]
    assert [item.order.short_week for item in found.to_order if item.order] == [-1, 2, 3]
    assert [item.order.weeks for item in found.to_order_later if item.order] == [1, 2]


def test_a_newcomer_is_welcomed_once() -> None:
    patient = make_patient(email="new@patients.example")
    make_consent(patient)
    for on in (TODAY - DAY * 3, TODAY - DAY * 3, TODAY):
        make_dispense(patient, on=on)
    plans.refresh_plans([patient.pk], now=NOW)
    found = occasions.due(day=TODAY, zones=[patient.time_zone], terms=MessageTerms(), channels=["mail"])
    welcomes = [one for one in found[patient.pk] if one.purpose is Purpose.WELCOME]
    assert [one.on for one in welcomes] == [TODAY - DAY * 3]


def test_of_two_steps_due_the_earliest_is_written_about() -> None:
    steps = [
        {"step": name, "name": name, "from_day": first, "to_day": last}
        for name, first, last in (("a", 1, 9), ("b", 3, 9))
    ]
    make_follow_up_plan(steps=steps)
    patient = make_patient(therapy_started_on=TODAY - DAY * 5)
    assert due_for(TODAY)[patient.pk].step == "a"


def test_consents_on_the_history_page_are_those_that_count() -> None:
    patient = make_patient()
    for channel, purpose, granted in (
        ("mail", "overdue", True),
        ("mail", "", False),
        ("mail", "question", False),
        ("mail", "question", True),
        ("text", "", True),
        ("text", "swap", False),
    ):
        make_consent(patient, channel=channel, purpose=purpose, granted=granted)
    assert [(row.channel, row.purpose, row.granted) for row in consents(patient)] == [
        ("mail", "question", True),
        ("mail", "", False),
        ("text", "swap", False),
        ("text", "", True),
    ]


@pytest.mark.parametrize(("purpose", "asked"), [("help", True), ("welcome", False)])
def test_a_reply_of_the_day_keeps_no_question_back(purpose: str, asked: bool) -> None:
    patient = make_patient(email="odalys@patients.example")
    make_consent(patient)
    make_dispense(patient, on=date(2026, 2, 1))
    plans.refresh_plans([patient.pk], now=NOW)
    make_question(patient, asked_at=NOW - DAY * 5)
    Message.objects.create(
        patient=patient, channel="text", purpose=purpose, day=TODAY, state="sent", created_at=NOW,
        not_before=NOW, expires_at=NOW, finished_at=NOW,
    )  # fmt: skip
    waiting = to_repeat(day=TODAY, zones=[patient.time_zone], sent_by=TODAY - DAY * 5, limit=9, per_week=9)
    assert [row.patient_id for row in waiting] == ([patient.pk] if asked else [])
    assert Patient.objects.count() == 1


def test_recalls_that_stand_come_first_then_the_newest() -> None:
    def of(day: int, **over: object) -> str:
        return make_recall(issued_on=date(2026, 3, day), **over).title

    void = {"void_reason": "of another maker"}
    first, second = of(1), of(2)
    third, fourth = of(3, voided_at=NOW, **void), of(4, voided_at=NOW + DAY, **void)
    assert [row.title for row in all_recalls()] == [second, first, fourth, third]


def test_reads_cost_what_they_say(django_assert_num_queries: DjangoAssertNumQueries) -> None:
    people = [make_patient(email=f"p{n}@patients.example") for n in range(2)]
    slip = make_dispense(people[0])
    for patient in people:
        make_consent(patient)
    plans.refresh_plans([patient.pk for patient in people], now=NOW)
    keys = [patient.pk for patient in people]
    with django_assert_num_queries(12):
        mailboxes(keys, day=TODAY)
    with django_assert_num_queries(3):
        units_held(keys, today=TODAY)
    with django_assert_num_queries(3):
        slip_of(slip)
    make_dispense(people[0], lines=[{"exchange_of": slip.lines.get()}])
    with django_assert_num_queries(4):
        slip_of(slip)
    fitting = make_fitting(people[0])
    FittingTry.objects.create(fitting=fitting, position=1, item=make_item(), style="nasal", leaks={})
    with django_assert_num_queries(3):
        assert [row.item.name for row in fittings(people[0])[0].tries.all()]
    with django_assert_num_queries(2):
        strip_data(people[0], today=TODAY)
