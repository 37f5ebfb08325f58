"""The outbox in one process: claim, look again, begin, send, finish."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from itertools import count
from threading import Barrier, Thread
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from resupply.models import Message, MessageReason, MessageState, Patient, PlanLine
from resupply.rules.sending import MOST_ATTEMPTS, Answer, Letter, Note, Outcome, after
from resupply.services import outbox
from resupply.services.reminders import enqueue_due
from tests.builders import make_consent
from tests.services.sending import NOW, TODAY, KeepingCarrier, make_due_patient, make_plan_line

pytestmark = pytest.mark.django_db
MINUTE = timedelta(minutes=1)
LATER = Answer(Outcome.LATER, "SMTPDataError 451")
UNSURE = Answer(Outcome.UNSURE, "SMTPServerDisconnected")
REFUSED = Answer(Outcome.REFUSED, "SMTPRecipientsRefused 550")
UNREACHABLE = Answer(Outcome.UNREACHABLE, "ConnectionRefusedError")


@pytest.fixture
def patient() -> Patient:
    """A patient with one message waiting."""
    due = make_due_patient()
    assert enqueue_due(now=NOW) == 1
    return due


def the_message() -> Message:
    return Message.objects.get()


def test_nothing_waiting_opens_no_connection() -> None:
    carrier = KeepingCarrier()
    assert outbox.deliver({"mail": carrier}, now=NOW) == outbox.Delivered(0, is_cut_short=False)
    assert carrier.opened == 0


def test_a_waiting_message_is_sent_once_and_kept_as_sent(patient: Patient) -> None:
    carrier = KeepingCarrier()
    assert outbox.deliver({"mail": carrier}, now=NOW).sent == 1
    assert outbox.deliver({"mail": carrier}, now=NOW + MINUTE).sent == 0
    (letter,) = carrier.letters
    message = the_message()
    assert letter.key == str(message.public_id)
    assert (letter.address, letter.subject) == (patient.email, "due")
    assert (message.state, message.attempts, message.leased_until) == ("sent", 1, None)
    assert (message.address, message.subject, message.body_text) == (patient.email, "due", "Hello Test")
    assert message.finished_at is not None
    assert carrier.opened == carrier.closed == 1


def test_a_message_waits_for_its_time(patient: Patient) -> None:
    Message.objects.update(not_before=NOW + MINUTE)
    carrier = KeepingCarrier()
    assert outbox.deliver({"mail": carrier}, now=NOW).sent == 0
    assert outbox.deliver({"mail": carrier}, now=NOW + MINUTE).sent == 1


def test_the_highest_step_gives_the_wording(patient: Patient) -> None:
    make_plan_line(patient, kind="mask", ends=-30)
    message = the_message()
    MessageReason.objects.create(
        message=message, patient=patient, kind="mask", step="overdue_2", supply_ends_on=TODAY - timedelta(30)
    )
    carrier = KeepingCarrier()
    outbox.deliver({"mail": carrier}, now=NOW)
    assert carrier.letters[0].subject == "overdue_2"


@pytest.mark.parametrize(
    ("happens", "sentence"),
    [
        (lambda p: make_consent(p, granted=False), "who says no meanwhile gets nothing"),
        (lambda p: Patient.objects.filter(pk=p.pk).update(email=""), "nor whose address was taken out"),
        (lambda p: Patient.objects.filter(pk=p.pk).update(status="died"), "nor who died"),
        (lambda p: PlanLine.objects.update(active=False), "nor whose line is no longer active"),
        (lambda p: PlanLine.objects.update(paused_from=TODAY), "nor who stopped therapy for a while"),
        (lambda p: PlanLine.objects.all().delete(), "nor whose line is gone"),
        (
            lambda p: PlanLine.objects.update(
                supply_ends_on=TODAY + timedelta(90),
                refill_on=TODAY + timedelta(90),
                ask_from=TODAY + timedelta(60),
            ),
            "nor who got new parts",
        ),
        (
            lambda p: Patient.objects.filter(pk=p.pk).update(time_zone="Pacific/Auckland"),
            "nor who moved to where it is night",
        ),
    ],
)
def test_what_is_no_longer_needed_is_cancelled(
    patient: Patient, happens: Callable[[Patient], object], sentence: str
) -> None:
    happens(patient)
    carrier = KeepingCarrier()
    outbox.deliver({"mail": carrier}, now=NOW)
    assert carrier.tried == 0, sentence
    message = the_message()
    assert (message.state, message.last_error) == ("cancelled", outbox.NOT_NEEDED)
    assert not MessageReason.objects.filter(stands=True).exists()


def test_a_cancelled_reason_is_written_about_when_it_holds_again(patient: Patient) -> None:
    """A dispense entered by mistake and voided the next day: the reminder comes a day late, not never."""
    PlanLine.objects.update(ask_from=TODAY + timedelta(60))
    outbox.deliver({"mail": KeepingCarrier()}, now=NOW)
    PlanLine.objects.update(ask_from=TODAY - timedelta(30))
    assert enqueue_due(now=NOW) == 0  # one message a day, also where that one was cancelled
    tomorrow = NOW + timedelta(days=1)
    assert enqueue_due(now=tomorrow) == 1
    assert outbox.deliver({"mail": KeepingCarrier()}, now=tomorrow).sent == 1


def test_a_reason_that_fell_is_left_out_and_the_rest_is_sent(patient: Patient) -> None:
    tubing = make_plan_line(patient, kind="tubing")
    MessageReason.objects.create(
        message=the_message(), patient=patient, kind="tubing", step="due", supply_ends_on=TODAY
    )
    PlanLine.objects.filter(pk=tubing.pk).update(paused_from=TODAY)
    assert outbox.deliver({"mail": KeepingCarrier()}, now=NOW).sent == 1
    assert dict(MessageReason.objects.values_list("kind", "stands")) == {"cushion": True, "tubing": False}


# --- answers ------------------------------------------------------------------------------------------------


def test_refused_for_good_fails_in_sight(patient: Patient) -> None:
    outbox.deliver({"mail": KeepingCarrier([REFUSED])}, now=NOW)
    message = the_message()
    assert (message.state, message.last_error) == ("failed", REFUSED.detail)
    assert message.address == patient.email
    assert outbox.deliver({"mail": KeepingCarrier()}, now=NOW + timedelta(hours=2)).sent == 0


def test_refused_for_now_waits_longer_each_time_and_gives_up(patient: Patient) -> None:
    carrier = KeepingCarrier([LATER] * MOST_ATTEMPTS)
    moment, waits = NOW, []
    for _ in range(MOST_ATTEMPTS):
        outbox.deliver({"mail": carrier}, now=moment)
        message = the_message()
        waits.append(round((message.not_before - moment).total_seconds() / 60))
        assert outbox.deliver({"mail": carrier}, now=message.not_before - timedelta(seconds=1)).sent == 0
        moment = message.not_before + timedelta(seconds=1)
    assert waits[:-1] == [1, 5, 15, 30, 60]
    assert carrier.tried == MOST_ATTEMPTS
    assert (the_message().state, the_message().last_error) == ("failed", LATER.detail)


def test_refused_for_now_is_sent_at_the_next_attempt(patient: Patient) -> None:
    carrier = KeepingCarrier([LATER])
    assert outbox.deliver({"mail": carrier}, now=NOW).sent == 0
    assert outbox.deliver({"mail": carrier}, now=NOW + 2 * MINUTE).sent == 1
    assert the_message().attempts == 2


def test_no_connection_holds_all_back_and_counts_no_attempt() -> None:
    for _ in range(5):
        make_due_patient()
    enqueue_due(now=NOW)
    down = KeepingCarrier([UNREACHABLE] * 100)
    for minutes in range(0, 60, 3):
        outbox.deliver({"mail": down}, now=NOW + minutes * MINUTE)
    assert down.tried == 20  # one of the batch is tried each time, not five
    assert set(Message.objects.values_list("state", "attempts")) == {("waiting", 0)}
    assert outbox.deliver({"mail": KeepingCarrier()}, now=NOW + 63 * MINUTE).sent == 5


def test_broken_off_is_tried_once_more_and_then_left_to_a_person(patient: Patient) -> None:
    carrier = KeepingCarrier([UNSURE, UNSURE])
    for minutes in (0, 2, 10, 60):
        outbox.deliver({"mail": carrier}, now=NOW + minutes * MINUTE)
    assert carrier.tried == 2
    assert (the_message().state, the_message().is_unsure) == ("failed", True)


def test_a_fault_in_the_wording_does_not_keep_the_others_from_going_out() -> None:
    first, second = make_due_patient(given_name="Odd"), make_due_patient()
    enqueue_due(now=NOW)

    class Stumbling(KeepingCarrier):
        def compose(self, note: Note) -> Letter:
            if note.given_name == "Odd":
                raise KeyError(note.given_name)
            return super().compose(note)

    assert outbox.deliver({"mail": Stumbling()}, now=NOW).sent == 1
    assert Message.objects.get(patient=second).state == "sent"
    stumbled = Message.objects.get(patient=first)
    assert (stumbled.state, stumbled.last_error) == ("waiting", "KeyError")


def test_an_outage_of_days_loses_nothing_and_floods_nobody() -> None:
    """No mail server for three days: each evening the day's message is closed, each morning one is queued."""
    make_due_patient(line={"ends": 2})
    down = KeepingCarrier([UNREACHABLE] * 1000)
    for hours in range(0, 72, 2):
        enqueue_due(now=NOW + timedelta(hours=hours))
        outbox.deliver({"mail": down}, now=NOW + timedelta(hours=hours))
    carrier = KeepingCarrier()
    for hours in range(72, 96, 2):
        enqueue_due(now=NOW + timedelta(hours=hours))
        outbox.deliver({"mail": carrier}, now=NOW + timedelta(hours=hours))
    assert [letter.subject for letter in carrier.letters] == ["due"]
    states = Message.objects.order_by("day").values_list("state", "last_error")
    assert list(states) == [("cancelled", outbox.TOO_LATE)] * 3 + [("sent", "")]


# --- claims -------------------------------------------------------------------------------------------------


def test_a_claimed_message_is_nobody_elses_until_the_lease_is_over(patient: Patient) -> None:
    (first,) = outbox.claim(now=NOW)
    assert outbox.claim(now=NOW + outbox.LEASE - timedelta(seconds=1)) == []
    (second,) = outbox.claim(now=NOW + outbox.LEASE)
    assert (second.fence, second.attempts, second.is_unsure) == (first.fence + 1, 2, False)


def test_killed_before_it_began_is_no_doubt(patient: Patient) -> None:
    """Workers that die with a claim in hand cost attempts, but never a message that nobody tried."""
    outbox.claim(now=NOW)
    outbox.claim(now=NOW + outbox.LEASE)
    assert outbox.deliver({"mail": KeepingCarrier()}, now=NOW + 2 * outbox.LEASE).sent == 1
    assert not the_message().is_unsure


def test_killed_while_sending_is_sent_once_more_and_no_third_time(patient: Patient) -> None:
    moment = NOW
    for expected in (False, True):
        (held,) = outbox.claim(now=moment)
        assert held.is_unsure is expected
        assert outbox.begin(held, now=moment)
        moment += outbox.LEASE
    assert outbox.settle(now=moment) == 1
    assert outbox.claim(now=moment) == []
    assert (the_message().state, the_message().last_error) == ("failed", outbox.BROKE_OFF)


def test_a_message_that_kills_every_worker_is_given_up(patient: Patient) -> None:
    moment = NOW
    for _ in range(MOST_ATTEMPTS):
        assert outbox.claim(now=moment)
        moment += outbox.LEASE
    assert outbox.deliver({"mail": KeepingCarrier()}, now=moment).sent == 0
    assert (the_message().state, the_message().last_error) == ("failed", outbox.GAVE_UP)


def test_in_doubt_at_the_end_of_the_day_is_not_sent_again_tomorrow(patient: Patient) -> None:
    (held,) = outbox.claim(now=NOW)
    outbox.begin(held, now=NOW)
    tomorrow = NOW + timedelta(days=1)
    outbox.settle(now=tomorrow)
    assert (the_message().state, the_message().last_error) == ("failed", outbox.BROKE_OFF)
    assert enqueue_due(now=tomorrow) == 0


def test_a_frozen_worker_can_neither_begin_nor_overwrite(patient: Patient) -> None:
    sent, refused = (
        after(Outcome.ACCEPTED, attempts=1, is_unsure=False),
        after(Outcome.REFUSED, attempts=1, is_unsure=False),
    )
    letter = Letter("k", "old@patients.example", "en", "old", "old", "old")
    (frozen,) = outbox.claim(now=NOW)
    (awake,) = outbox.claim(now=NOW + outbox.LEASE)
    assert not outbox.begin(frozen, now=NOW + outbox.LEASE)
    assert outbox.begin(awake, now=NOW + outbox.LEASE)
    assert not outbox.finish(frozen, refused, letter, LATER, now=NOW + outbox.LEASE)
    outbox.cancel(frozen, now=NOW + outbox.LEASE)
    outbox.give_back([frozen], now=NOW + outbox.LEASE, wait=timedelta(0))
    assert the_message().state == MessageState.SENDING
    assert outbox.finish(awake, sent, letter, Answer(Outcome.ACCEPTED), now=NOW + outbox.LEASE)
    assert not outbox.finish(frozen, refused, letter, LATER, now=NOW + outbox.LEASE)
    assert the_message().state == MessageState.SENT
    assert MessageReason.objects.get().stands


def test_after_its_day_a_message_is_not_even_claimed(patient: Patient) -> None:
    closes = the_message().expires_at
    assert outbox.claim(now=closes) == []
    assert len(outbox.claim(now=closes - timedelta(seconds=1))) == 1


def test_a_lease_that_is_over_begins_nothing_even_where_nobody_took_it(patient: Patient) -> None:
    (held,) = outbox.claim(now=NOW)
    assert not outbox.begin(held, now=NOW + outbox.LEASE)


def test_batches_go_on_until_nothing_is_left() -> None:
    for _ in range(outbox.BATCH + 3):
        make_due_patient()
    enqueue_due(now=NOW)
    carrier = KeepingCarrier()
    assert outbox.deliver({"mail": carrier}, now=NOW) == outbox.Delivered(
        outbox.BATCH + 3, is_cut_short=False
    )
    assert carrier.opened == carrier.closed == 2  # one connection for a batch
    assert len({letter.key for letter in carrier.letters}) == outbox.BATCH + 3


def test_a_batch_takes_as_many_queries_as_one_message() -> None:
    """But for the two marks of each, which are prepared statements that Django does not see."""
    taken = []
    for many in (1, 8):
        for _ in range(many):
            make_due_patient()
        enqueue_due(now=NOW, by_link=True)
        carrier = KeepingCarrier()
        with CaptureQueriesContext(connection) as queries:
            assert outbox.deliver({"mail": carrier}, now=NOW).sent == many
        taken.append(len(queries))
    assert taken[0] == taken[1]


def test_time_up_gives_the_rest_back(monkeypatch: pytest.MonkeyPatch) -> None:
    for _ in range(5):
        make_due_patient()
    enqueue_due(now=NOW)
    ticks = count(0.0, 0.3)  # every look at the clock takes a third of a second
    monkeypatch.setattr(outbox, "monotonic", lambda: next(ticks))
    carrier = KeepingCarrier()
    delivered = outbox.deliver({"mail": carrier}, now=NOW)
    assert delivered.is_cut_short
    assert 0 < delivered.sent < 5
    left = Message.objects.exclude(state="sent")
    assert set(left.values_list("state", "attempts", "leased_until")) == {("waiting", 0, None)}
    monkeypatch.undo()
    assert outbox.deliver({"mail": carrier}, now=NOW + MINUTE).sent == 5 - delivered.sent


@pytest.mark.django_db(transaction=True)
def test_two_workers_at_once_send_each_message_once() -> None:
    for _ in range(60):
        make_due_patient()
    enqueue_due(now=NOW)
    barrier = Barrier(2)
    carriers = [KeepingCarrier(), KeepingCarrier()]

    def work(carrier: KeepingCarrier) -> int:
        barrier.wait()
        try:
            return outbox.deliver({"mail": carrier}, now=NOW).sent
        finally:
            connection.close()

    with ThreadPoolExecutor(2) as pool:
        assert sum(pool.map(work, carriers)) == 60
    keys = [letter.key for carrier in carriers for letter in carrier.letters]
    assert len(keys) == len(set(keys)) == 60
    assert set(Message.objects.values_list("state", flat=True)) == {"sent"}


@pytest.mark.django_db(transaction=True)
def test_nothing_is_locked_while_a_message_is_being_sent() -> None:
    """Someone else may change the patient, the plan and the message's row in the middle of the sending."""
    make_due_patient()
    enqueue_due(now=NOW)
    done: list[bool] = []

    def change_everything(letter: Letter) -> None:
        def work() -> None:
            with connection.cursor() as cursor:
                cursor.execute("SET lock_timeout = '2s'")
            Patient.objects.update(phone="1")
            PlanLine.objects.update(spares=1)
            Message.objects.update(purpose="refill")
            MessageReason.objects.update(step="due")
            done.append(True)
            connection.close()

        worker = Thread(target=work)
        worker.start()
        worker.join(timeout=10)

    assert outbox.deliver({"mail": KeepingCarrier(on_send=change_everything)}, now=NOW).sent == 1
    assert done == [True]


def test_however_slow_the_machine_a_run_sends_something(
    patient: Patient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Looking again alone takes longer than a run may: without the one that goes out, none ever would."""
    make_due_patient(email="other@patients.example")
    assert enqueue_due(now=NOW) == 1
    look, seconds = outbox.look_again, count(6)

    def slowly(*given: Any, **named: Any) -> Any:
        monkeypatch.setattr(outbox._Moments, "spent", lambda self: timedelta(seconds=next(seconds)))
        return look(*given, **named)

    monkeypatch.setattr(outbox, "look_again", slowly)
    carrier = KeepingCarrier()
    outbox.deliver({"mail": carrier}, now=NOW)
    assert len(carrier.letters) == 1
    assert sorted(row.state for row in Message.objects.all()) == ["sent", "waiting"]
