"""Messages that did not arrive, in the hands of staff."""

import pytest
from django.test import Client
from django.urls import reverse

from resupply.models import BadAddress, Consent, Message, MessageState, Patient
from resupply.queries.consents import may_write
from resupply.rules.sending import Answer, Outcome
from resupply.services import outbox
from resupply.services.reminders import enqueue_due
from tests.builders import make_consent
from tests.cast import Cast
from tests.services.sending import NOW, KeepingCarrier, make_plan_line

pytestmark = pytest.mark.django_db


@pytest.fixture
def desk(cast: Cast, client: Client) -> Client:
    client.force_login(cast.desk.user)
    return client


@pytest.fixture
def failed(cast: Cast) -> Message:
    """A mail to Odalys that the server refused for its address."""
    Patient.objects.filter(pk=cast.odalys.pk).update(email="odalys@patients.example")
    make_consent(cast.odalys)
    cast.odalys.plan_lines.all().delete()
    make_plan_line(cast.odalys)
    enqueue_due(now=NOW)
    outbox.deliver({"mail": KeepingCarrier([Answer(Outcome.REFUSED, "SMTPRecipientsRefused 550")])}, now=NOW)
    return Message.objects.get(patient=cast.odalys, state=MessageState.FAILED)


def page(client: Client, name: str, *args: object) -> str:
    answer = client.get(reverse(name, args=args))
    assert answer.status_code == 200
    return answer.content.decode()


def test_what_did_not_arrive_is_seen_to(desk: Client, cast: Cast, failed: Message) -> None:
    assert "did not arrive" in page(desk, "home")
    shown = page(desk, "desk:undelivered")
    assert cast.odalys.name in shown
    assert "Address stopped" in shown
    asked = page(desk, "desk:message_resend", failed.public_id)
    assert "The limits of messages a day and a week hold here too." in asked
    sent_again = desk.post(reverse("desk:message_resend", args=[failed.public_id]))
    assert sent_again.status_code == 422
    assert "This address failed" in sent_again.content.decode()
    bad = BadAddress.objects.get()
    confirm = reverse("desk:address_confirm", args=[cast.odalys.public_id, bad.pk])
    assert desk.post(confirm, {"reason": ""}).status_code == 422
    assert desk.post(confirm, {"reason": "Spelled out on the telephone."}).status_code == 302
    assert "Address stopped" not in page(desk, "desk:undelivered")
    handled = reverse("desk:message_handled", args=[failed.public_id])
    assert desk.post(handled, {"note": "Called instead."}).status_code == 302
    assert cast.odalys.name not in page(desk, "desk:undelivered")
    assert "handled: Called instead." in page(desk, "desk:messages", cast.odalys.public_id)


def test_staff_stop_messages_and_record_an_answer_for_one_purpose(
    desk: Client, cast: Cast, failed: Message
) -> None:
    stop = reverse("desk:stop_messages", args=[cast.odalys.public_id])
    assert desk.post(stop, {"channel": "", "how": ""}).status_code == 422
    assert desk.post(stop, {"channel": "", "how": "asked on the telephone"}).status_code == 302
    assert not may_write([cast.odalys.pk], "mail", "swap")
    said = {
        "channel": "mail", "purpose": "swap", "granted": "yes", "given_on": "2026-03-01",
        "how": "asked at the desk", "on_paper": "on",
    }  # fmt: skip
    consent = reverse("desk:consent", args=[cast.odalys.public_id])
    assert desk.post(consent, said).status_code == 302
    assert may_write([cast.odalys.pk], "mail", "swap")
    assert not may_write([cast.odalys.pk], "mail", "question")
    assert Consent.objects.filter(on_paper=True).count() == 1
    history = page(desk, "desk:history", cast.odalys.public_id)
    assert "part changes" in history
    assert "signed on paper" in history


def test_messages_to_patients_whose_import_was_undone_wait_for_nobody(
    desk: Client, cast: Cast, failed: Message
) -> None:
    """Nobody can open such a patient, so nobody could mark them as handled."""
    Patient.objects.filter(pk=cast.odalys.pk).update(status="withdrawn")
    assert "did not arrive</a>" not in page(desk, "home")
    assert cast.odalys.name not in page(desk, "desk:undelivered")
