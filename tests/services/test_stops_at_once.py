"""An opt-out while a worker has already claimed the message: nothing is begun after it."""

from collections.abc import Callable

import pytest

from resupply.models import Channel, Message, Patient
from resupply.services import optouts, outbox, people
from resupply.services.reminders import enqueue_due
from tests.services.sending import NOW, TODAY, KeepingCarrier, make_due_patient

pytestmark = pytest.mark.django_db


def by_patient(patient: Patient) -> None:
    optouts.stop(patient, channel=None, how="on the own page", by=None, now=NOW)


def at_the_desk(patient: Patient) -> None:
    people.withdraw_consent(patient, Channel.MAIL, given_on=TODAY, how="at the desk", by=None, now=NOW)


@pytest.mark.parametrize("stop", [by_patient, at_the_desk])
def test_what_a_worker_has_claimed_is_not_begun(stop: Callable[[Patient], None]) -> None:
    """The second of a batch opts out while the first is being sent."""
    make_due_patient(email="first@patients.example")
    second = make_due_patient(email="second@patients.example")
    assert enqueue_due(now=NOW) == 2
    carrier = KeepingCarrier(on_send=lambda letter: stop(second))
    assert outbox.deliver({"mail": carrier}, now=NOW).sent == 1
    assert [letter.address for letter in carrier.letters] == ["first@patients.example"]
    message = Message.objects.get(patient=second)
    assert (message.state, message.last_error) == ("cancelled", optouts.OPTED_OUT)
    assert not message.reasons.filter(stands=True).exists()
