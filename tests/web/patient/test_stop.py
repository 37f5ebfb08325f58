"""The way out of a mail (RFC 8058), and a patient's own choices about messages."""

import pytest
from django.core import mail as outgoing
from django.test import Client
from django.urls import reverse

from resupply.delivery.mail import MailCarrier
from resupply.models import Consent, MessageState, Patient
from resupply.queries.consents import may_write
from resupply.rules.purposes import Purpose
from resupply.services import choices, outbox
from resupply.services.reminders import enqueue_due
from tests.builders import NOW, make_consent, make_own_page
from tests.services.sending import make_due_patient

pytestmark = pytest.mark.django_db


def mailed(patient: Patient) -> outgoing.EmailMessage:
    enqueue_due(now=NOW)
    outbox.deliver({"mail": MailCarrier}, now=NOW)
    return next(one for one in outgoing.outbox if patient.email in one.to)


@pytest.mark.parametrize("public_url", ["https://care.clinic.example", "http://127.0.0.1:8000"])
def test_one_click_ends_the_mails_without_cookie_or_sign_in(settings, public_url: str) -> None:  # type: ignore[no-untyped-def]
    settings.PUBLIC_URL, settings.STOP_MAIL = public_url, "stop@clinic.example"
    settings.EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
    patient = make_due_patient()
    headers = mailed(patient).extra_headers
    address, by_mail = (part.strip("<> ") for part in headers["List-Unsubscribe"].split(","))
    assert address.startswith(f"{public_url}/stop/")
    assert by_mail == "mailto:stop@clinic.example?subject=stop"
    # RFC 8058 3.1: the header is this very text, and its address is https
    expected = "List-Unsubscribe=One-Click" if public_url.startswith("https") else None
    assert headers.get("List-Unsubscribe-Post") == expected
    path = address.removeprefix(public_url)
    client = Client(enforce_csrf_checks=True)
    for answer in (client.get(path), client.head(path)):  # a scanner that opens links ends nothing
        assert answer.status_code == 200
        assert not answer.cookies
    assert may_write([patient.pk], "mail", "question")
    answer = client.post(path, {"List-Unsubscribe": "One-Click"})
    assert answer.status_code == 200
    assert not answer.cookies
    assert not may_write([patient.pk], "mail", "question")
    assert Consent.objects.get(granted=False).how == "one-click link of a message"
    assert client.put(path).status_code == 405
    assert client.post("/stop/not-a-token/").status_code == 404
    assert patient.messages.get().body_text.count("[secret]") >= 1
    assert path.split("/")[2] not in patient.messages.get().body_text


@pytest.mark.parametrize("language", ["en", "es"])
def test_choices_are_kept_as_consents_and_stop_everything_takes_two_taps(language: str) -> None:
    patient = make_due_patient(phone="303 555 0142", language=language)
    enqueue_due(now=NOW)
    link = make_own_page(patient)
    client = Client()
    client.post(reverse("me:page", args=[link.token]), {"month": 2, "day": 4, "year": 1961})
    address = reverse("me:choices", args=[link.token])
    page = client.get(reverse("me:page", args=[link.token])).content.decode()
    assert address in page  # the first tap
    shown = client.get(address).content.decode()
    assert 'name="mail-swap"' in shown
    wanted = {f"mail-{purpose.value}": "1" for purpose in Purpose if purpose is not Purpose.SWAP}
    client.post(address, wanted | {"text-swap": "1", "preferred": "text", "wording": "detailed"})
    held = choices.choices_of(patient)
    assert ("mail", "swap") not in held
    assert ("text", "swap") in held
    assert ("mail", "question") in held
    assert Consent.objects.filter(patient=patient).count() == 3  # the first yes, and the two that changed
    wish = choices.wish_of(patient)
    assert wish is not None
    assert (wish.channel, wish.detailed, wish.by_patient) == ("text", True, True)
    client.post(address, {"stop": "1"})  # the second tap
    assert choices.choices_of(patient) == set()
    assert patient.messages.get().state == MessageState.CANCELLED
    client.post(address, {"undo": "1"})
    assert choices.choices_of(patient) == held


def test_a_choice_that_was_not_shown_is_not_taken_away() -> None:
    patient = make_due_patient()
    make_consent(patient, channel="text")  # no number on record now
    choices.choose(patient, set(), among=[("mail", "swap")], preferred="", detailed=False, now=NOW)
    held = choices.choices_of(patient)
    assert ("text", "swap") in held
    assert ("mail", "swap") not in held
