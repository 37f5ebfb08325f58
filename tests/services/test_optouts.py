"""A no to one purpose takes it out of what waits at once, and sending again meets the sweep."""

from threading import Event
from typing import Any

import pytest
from django.db import transaction

from resupply.models import Message, MessageOccasion, MessageReason, MessageState, Patient
from resupply.rules.sending import Answer, Outcome
from resupply.services import choices, failures, outbox, people
from resupply.services.errors import Refused
from resupply.services.reminders import enqueue_due
from tests.builders import make_consent
from tests.services.sending import NOW, TODAY, KeepingCarrier, make_due_patient, make_plan_line
from tests.services.test_messages import DAY, Noting, make_swap
from tests.services.test_reminders import at_once


def refuse(patient: Patient, purpose: str, channel: str = "mail") -> None:
    people.withdraw_consent(
        patient, channel, purpose=purpose, given_on=TODAY, how="on the telephone", by=None, now=NOW
    )


@pytest.mark.django_db
def test_a_no_to_the_only_purpose_of_what_waits_cancels_it_even_when_claimed() -> None:
    patient = make_due_patient()
    enqueue_due(now=NOW)
    (held,) = outbox.claim(now=NOW)
    refuse(patient, "overdue")
    refuse(patient, "question", channel="text")
    assert patient.messages.get().state == MessageState.WAITING
    refuse(patient, "question")
    message = patient.messages.get()
    assert (message.state, message.leased_until) == (MessageState.CANCELLED, None)
    assert not MessageReason.objects.filter(stands=True).exists()
    assert not outbox.begin(held, now=NOW)


@pytest.mark.django_db
def test_what_else_a_message_says_still_goes_out_and_the_worker_that_held_it_begins_nothing() -> None:
    patient = make_due_patient()
    make_swap(patient, kind="mask", part_code="A7034")
    enqueue_due(now=NOW)
    (held,) = outbox.claim(now=NOW)
    refuse(patient, "question")
    assert not outbox.begin(held, now=NOW), "it was put into words with what is refused now"
    carrier = Noting()
    assert outbox.deliver({"mail": carrier}, now=NOW).sent == 1
    assert [(note.step, note.purpose, note.also) for note in carrier.notes] == [("", "swap", ())]
    assert MessageOccasion.objects.get().stands
    assert patient.messages.get().attempts == 1, "the attempt that was stopped does not count"


@pytest.mark.django_db
def test_what_is_cleared_on_the_own_page_is_cancelled_with_it() -> None:
    patient = make_due_patient(phone="303 555 0142")
    make_consent(patient, channel="text")
    enqueue_due(now=NOW)
    shown = [choice for choice in choices.CHOICES if choice[0] == "mail"]
    kept = [choice for choice in shown if choice[1] != "question"]
    choices.choose(patient, kept, among=shown, preferred="", detailed=False, now=NOW)
    assert patient.messages.get().state == MessageState.CANCELLED
    assert patient.consents.filter(granted=False).get().purpose == "question"


@pytest.mark.django_db
def test_a_copy_that_may_have_arrived_keeps_its_reasons() -> None:
    patient = make_due_patient()
    enqueue_due(now=NOW)
    Message.objects.update(is_unsure=True)
    refuse(patient, "question")
    assert patient.messages.get().state == MessageState.CANCELLED
    assert MessageReason.objects.filter(stands=True).count() == 1


@pytest.mark.django_db(transaction=True)
def test_sending_again_while_a_sweep_writes_ends_in_one_message_that_day() -> None:
    """The sweep has written and not committed when a person has the failed message of the day before sent
    again: whichever message stays, one goes out.
    """
    patient = make_due_patient()
    enqueue_due(now=NOW)
    outbox.deliver({"mail": KeepingCarrier([Answer(Outcome.REFUSED, "SMTPDataError 554")])}, now=NOW)
    failed = patient.messages.get()
    make_plan_line(patient, kind="tubing", part_code="A7037")
    has_written, has_asked = Event(), Event()

    def sweep() -> int:
        with transaction.atomic():
            added = enqueue_due(now=NOW + DAY)
            has_written.set()
            has_asked.wait(0.3)  # where sending again waits for this transaction, it goes on
        return added

    def again() -> int:
        has_written.wait(30)
        try:
            failures.resend(failed, by=None, now=NOW + DAY)
        except Refused as refusal:
            assert refusal.code == "written_today"  # noqa: PT017 - one of the two ends that are right
            return 0
        finally:
            has_asked.set()
        return 1

    assert at_once(sweep, again)[0] == 1
    carrier: Any = KeepingCarrier()
    outbox.deliver({"mail": carrier}, now=NOW + DAY)
    outbox.deliver({"mail": carrier}, now=NOW + DAY)
    assert len(carrier.letters) == 1
