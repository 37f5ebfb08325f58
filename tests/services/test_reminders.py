"""Reminders queued: who is written to, about what, once."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime, timedelta
from threading import Barrier, Event
from time import sleep
from typing import Any

import pytest
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext

from resupply.models import Message, MessageReason, PatientStatus, PlanLine, PlanState
from resupply.queries.reminders import due_lines
from resupply.rules.reminders import Refill, step_reached
from resupply.services.reminders import enqueue_due
from tests.builders import make_consent
from tests.services.sending import NOW, TODAY, make_due_patient, make_plan_line

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)


def steps() -> list[tuple[str, str]]:
    return sorted(MessageReason.objects.filter(stands=True).values_list("kind", "step"))


def test_nothing_due_adds_nothing() -> None:
    make_due_patient(line={"ends": 31})
    assert enqueue_due(now=NOW) == 0
    assert not Message.objects.exists()


def test_a_line_that_is_due_queues_one_message_for_today() -> None:
    patient = make_due_patient()
    assert enqueue_due(now=NOW) == 1
    message = Message.objects.get()
    assert (message.patient, message.channel, message.purpose) == (patient, "mail", "refill")
    assert (message.day, message.state) == (TODAY, "waiting")
    assert message.not_before == datetime(2026, 3, 18, 15, tzinfo=UTC)  # 09:00 in Denver, on daylight time
    assert message.expires_at == datetime(2026, 3, 19, 2, tzinfo=UTC)  # 20:00 there
    assert steps() == [("cushion", "due")]


def test_all_lines_of_a_patient_go_into_one_message() -> None:
    patient = make_due_patient()
    make_plan_line(patient, kind="tubing", ends=20)
    make_plan_line(patient, kind="mask", ends=-8)
    make_plan_line(patient, kind="chamber", ends=40)
    assert enqueue_due(now=NOW) == 1
    assert steps() == [("cushion", "due"), ("mask", "overdue_1"), ("tubing", "ask")]


def test_run_twice_changes_nothing() -> None:
    make_due_patient()
    make_due_patient(line={"ends": -30})
    assert enqueue_due(now=NOW) == 2
    assert enqueue_due(now=NOW) == 0
    assert enqueue_due(now=NOW + timedelta(hours=3)) == 0
    assert Message.objects.count() == MessageReason.objects.count() == 2


def test_the_ladder_over_time_has_one_message_for_each_step() -> None:
    """A line nobody refills, swept every day for three months: four messages in all."""
    make_due_patient(line={"ends": 30})
    sent = {}
    for days in range(90):
        if enqueue_due(now=NOW + days * DAY):
            sent[days] = Message.objects.latest("id").reasons.get().step
    assert sent == {0: "ask", 30: "due", 37: "overdue_1", 58: "overdue_2"}


def test_an_old_list_read_in_late_gets_one_message_each() -> None:
    make_due_patient(line={"ends": -400})
    assert enqueue_due(now=NOW) == 1
    assert steps() == [("cushion", "overdue_2")]
    assert sum(enqueue_due(now=NOW + days * DAY) for days in range(1, 60)) == 0


def test_what_becomes_due_after_todays_message_waits_until_tomorrow() -> None:
    patient = make_due_patient()
    enqueue_due(now=NOW)
    make_plan_line(patient, kind="tubing")
    assert enqueue_due(now=NOW + timedelta(hours=1)) == 0
    assert enqueue_due(now=NOW + DAY) == 1
    assert steps() == [("cushion", "due"), ("tubing", "due")]


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"email": ""}, "nobody is written to without an address"),
        ({"status": PatientStatus.ENDED}, "nor after therapy ended"),
        ({"status": PatientStatus.DIED}, "nor the dead"),
        ({"status": PatientStatus.MOVED}, "nor who moved elsewhere"),
        ({"consent": False}, "no record of consent means no"),
        ({"line": {"active": False}}, "a line of someone not on therapy is none"),
        ({"line": {"paused_from": TODAY}}, "nothing in an open pause"),
        ({"line": {"paused_from": TODAY, "paused_until": TODAY + DAY}}, "nor on its last day"),
        ({"line": {"ask_from": TODAY + DAY}}, "nothing before the day to ask"),
    ],
)
def test_who_is_not_written_to(change: dict[str, Any], sentence: str) -> None:
    make_due_patient(**change)
    assert enqueue_due(now=NOW) == 0, sentence


def test_the_pause_over_and_the_pause_ahead_hold_nothing_back() -> None:
    make_due_patient(line={"paused_from": TODAY - DAY, "paused_until": TODAY})
    make_due_patient(line={"paused_from": TODAY + DAY})
    assert enqueue_due(now=NOW) == 2


def test_the_newest_standing_consent_counts() -> None:
    refuses = make_due_patient()
    make_consent(refuses, granted=False)
    again = make_due_patient(consent=False)
    make_consent(again, granted=False)
    make_consent(again)
    voided = make_due_patient(consent=False)
    make_consent(voided, voided_at=NOW, void_reason="entered for the wrong person")
    by_text = make_due_patient(consent=False)
    make_consent(by_text, channel="text")
    enqueue_due(now=NOW)
    assert list(Message.objects.values_list("patient", flat=True)) == [again.pk]


def test_at_night_the_message_is_for_the_coming_day() -> None:
    """21:30 in Denver on the 17th: what is due by the 18th waits for 09:00 there."""
    make_due_patient()
    night = datetime(2026, 3, 18, 3, 30, tzinfo=UTC)
    assert enqueue_due(now=night) == 1
    message = Message.objects.get()
    assert message.day == TODAY
    assert message.not_before == NOW
    assert enqueue_due(now=NOW) == 0


def test_each_patient_has_their_own_today() -> None:
    """At 15:00 UTC it is the 18th in Denver, but past four in the morning of the 19th in Auckland."""
    make_due_patient(line={"ends": 1})
    far = make_due_patient(line={"ends": 1}, time_zone="Pacific/Auckland")
    enqueue_due(now=NOW)
    reasons = dict(MessageReason.objects.values_list("patient", "step"))
    assert reasons.pop(far.pk) == "due"
    assert list(reasons.values()) == ["ask"]
    assert Message.objects.get(patient=far).day == date(2026, 3, 19)


def test_an_unknown_zone_stops_nobody_else() -> None:
    make_due_patient(time_zone="Nowhere/Else")
    make_due_patient()
    assert enqueue_due(now=NOW) == 2
    held = Message.objects.get(patient__time_zone="Nowhere/Else")
    assert held.not_before == datetime(2026, 3, 18, 19, tzinfo=UTC)  # 09:00 in Honolulu


def test_a_plan_that_has_run_out_is_left_for_the_refresh() -> None:
    patient = make_due_patient()
    state = PlanState.objects.create(patient=patient, valid_until=TODAY)
    assert enqueue_due(now=NOW) == 0
    state.valid_until = TODAY + DAY
    state.save()
    assert enqueue_due(now=NOW) == 1


def test_a_date_that_moves_a_little_is_the_same_refill() -> None:
    patient = make_due_patient()
    enqueue_due(now=NOW)
    for moved in (-13, 13):
        PlanLine.objects.filter(patient=patient).update(
            supply_ends_on=TODAY + moved * DAY, refill_on=TODAY, ask_from=TODAY - 30 * DAY
        )
        assert enqueue_due(now=NOW + DAY) == 0
    PlanLine.objects.filter(patient=patient).update(supply_ends_on=TODAY + 14 * DAY)
    assert enqueue_due(now=NOW + DAY) == 1


def test_a_step_that_was_passed_is_not_gone_back_to() -> None:
    """After *due*, a reported change of parts moves the end of supply: the patient is not asked afresh."""
    patient = make_due_patient()
    enqueue_due(now=NOW)
    PlanLine.objects.filter(patient=patient).update(supply_ends_on=TODAY + 5 * DAY, refill_on=TODAY + 5 * DAY)
    assert sum(enqueue_due(now=NOW + days * DAY) for days in range(1, 12)) == 0
    assert enqueue_due(now=NOW + 12 * DAY) == 1  # seven days after the new date
    assert steps() == [("cushion", "due"), ("cushion", "overdue_1")]


def test_small_blocks_give_the_same_messages() -> None:
    for _ in range(9):
        patient = make_due_patient()
        for kind in ("mask", "tubing", "headgear"):
            make_plan_line(patient, kind=kind)
    assert enqueue_due(now=NOW, limit=11) == 9
    assert MessageReason.objects.count() == 36


def test_queries_grow_with_blocks_not_with_patients() -> None:
    make_due_patient()
    with CaptureQueriesContext(
        connection,
    ) as few:
        enqueue_due(now=NOW)
    for _ in range(30):
        make_due_patient()
    with CaptureQueriesContext(connection) as many:
        assert enqueue_due(now=NOW) == 30
    assert len(many) == len(few)


def test_sql_and_rule_agree_about_every_step() -> None:
    """Every combination of day to ask, refill day and pause around today, asked of both."""
    expected = {}
    for lead in (0, 1, 6, 7, 8, 28, 29, 40):
        for ends in (-50, -29, -28, -27, -8, -7, -6, -1, 0, 1, 39, 40, 41):
            for pause in ((None, None), (0, None), (-3, 0), (-3, 1), (1, None)):
                refill_on = TODAY + ends * DAY
                start, until = (None if days is None else TODAY + days * DAY for days in pause)
                ask_from = refill_on - lead * DAY
                patient = make_due_patient(
                    line={"ends": ends, "ask_from": ask_from, "paused_from": start, "paused_until": until}
                )
                step = step_reached(Refill(ask_from, refill_on, start, until), day=TODAY)
                if step:
                    expected[patient.pk] = step.name
    found = due_lines(day=TODAY, zones=["America/Denver"], after=0, limit=10_000)
    assert {line.patient_id: line.step for line in found} == expected
    assert set(expected.values()) == {"ask", "due", "overdue_1", "overdue_2"}


@pytest.mark.django_db(transaction=True)
def test_two_sweeps_at_once_add_each_message_once() -> None:
    """Two workers on two connections, let go together."""
    for _ in range(40):
        make_plan_line(make_due_patient(), kind="tubing")
    barrier = Barrier(2)

    def sweep() -> int:
        barrier.wait()
        return enqueue_due(now=NOW, limit=15)

    assert sum(at_once(sweep, sweep)) == 40
    assert Message.objects.count() == 40
    assert MessageReason.objects.count() == 80


@pytest.mark.django_db(transaction=True)
def test_a_sweep_that_meets_anothers_unfinished_work_adds_nothing() -> None:
    make_due_patient()
    has_written = Event()

    def first() -> int:
        with transaction.atomic():
            added = enqueue_due(now=NOW)
            has_written.set()
            sleep(1)  # the second has read, before this commits, that nobody was written to
        return added

    def second() -> int:
        has_written.wait(30)
        return enqueue_due(now=NOW)

    assert at_once(first, second) == [1, 0]
    assert MessageReason.objects.count() == 1


def at_once(*jobs: Callable[[], int]) -> list[int]:
    """Run jobs in threads with a connection each; what one raises is raised here."""

    def run(job: Callable[[], int]) -> int:
        try:
            return job()
        finally:
            connection.close()

    with ThreadPoolExecutor(len(jobs)) as pool:
        return list(pool.map(run, jobs))
