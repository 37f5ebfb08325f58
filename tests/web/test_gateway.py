"""What a gateway tells us: signed, of this moment, once; bounded, of the right shape, and in no log."""

import json
import logging
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
import time_machine
from django.test import Client

from resupply.models import DeliveryReport, InboundText, Message
from resupply.rules.signatures import sign, stamp_of
from tests.builders import NOW, make_consent, make_patient
from tests.services.texting import make_sent_text

pytestmark = pytest.mark.django_db
SECRET = "callback-secret-of-at-least-32-characters"
INBOUND, DELIVERY = "/texts/inbound/", "/texts/delivery/"
TEXT = {"event": "evt-1", "from": "+13035550142", "text": "please stop texting me"}


@pytest.fixture(autouse=True)
def gateway(settings: Any) -> Iterator[None]:
    settings.TEXT_CALLBACK_SECRET, settings.PHONE_REGION = SECRET, "US"
    with time_machine.travel(NOW, tick=False):
        yield


def post(address: str, said: Any, *, secret: str = SECRET, age: timedelta = timedelta(0), **over: str) -> Any:
    body = said if isinstance(said, bytes) else json.dumps(said).encode()
    stamp = stamp_of(NOW - age)
    headers = {"X-Text-Timestamp": stamp, "X-Text-Signature": sign(secret, stamp=stamp, body=body)} | over
    client = Client(enforce_csrf_checks=True)
    return client.post(address, body, content_type="application/json", headers=headers)


def test_a_text_is_kept_and_acted_on_without_a_cookie() -> None:
    patient = make_patient(phone="303 555 0142")
    make_consent(patient, channel="text")
    answer = post(INBOUND, TEXT)
    assert (answer.status_code, answer.json()) == (200, {"status": "kept"})
    assert not answer.cookies
    text = InboundText.objects.get()
    assert (text.meaning, text.event_id, text.from_number) == ("stop", "evt-1", "+13035550142")
    assert list(text.patients.all()) == [patient]
    assert not patient.consents.order_by("-pk")[0].granted


def test_the_same_event_again_changes_nothing() -> None:
    patient = make_patient(phone="303 555 0142")
    make_consent(patient, channel="text")
    post(INBOUND, TEXT)
    make_consent(patient, channel="text")  # a yes given since
    again = post(INBOUND, TEXT, age=timedelta(minutes=-1))
    assert (again.status_code, again.json()) == (200, {"status": "seen"})
    assert InboundText.objects.count() == 1
    assert patient.consents.order_by("-pk")[0].granted


UNSIGNED = [
    ({"secret": "another-secret-of-at-least-32-characters"}, "wrong"),
    ({"X-Text-Signature": ""}, "wrong"),
    ({"X-Text-Timestamp": "0"}, "wrong"),
    ({"age": timedelta(minutes=5, seconds=1)}, "stale"),
    ({"age": -timedelta(minutes=5, seconds=1)}, "stale"),
]


def test_an_unsigned_or_old_request_does_nothing() -> None:
    for address in (INBOUND, DELIVERY):
        for over, status in UNSIGNED:
            answer = post(address, TEXT, **over)
            assert (answer.status_code, answer.json()) == (401, {"status": status})
    assert not InboundText.objects.exists()


def test_without_a_secret_there_is_no_gateway(settings: Any) -> None:
    settings.TEXT_CALLBACK_SECRET = ""
    assert post(INBOUND, TEXT, secret="").status_code == 404
    assert not InboundText.objects.exists()


def test_a_request_is_bounded() -> None:
    assert post(INBOUND, TEXT | {"text": "x" * 20_000}).status_code == 413
    assert not InboundText.objects.exists()


MISSHAPEN = [
    b"",
    b"{",
    b"[" * 5000,
    b"\xff\xfe",
    [],
    "stop",
    {},
    {"event": "evt-1", "from": "+13035550142"},
    TEXT | {"text": 7},
    TEXT | {"text": None},
    TEXT | {"from": "303 555 0142"},
    TEXT | {"from": 13035550142},
    TEXT | {"event": ""},
    TEXT | {"event": "x" * 129},
    TEXT | {"event": {"a": 1}},
]


def test_another_shape_is_refused() -> None:
    for said in MISSHAPEN:
        answer = post(INBOUND, said)
        assert (answer.status_code, answer.json()) == (400, {"status": "shape"}), said
    assert not InboundText.objects.exists()


def test_control_characters_are_left_out_and_the_rest_stays() -> None:
    post(INBOUND, TEXT | {"text": "a\x00b\x1b[31m\nc \U0001f600 \ud83d!"})
    assert InboundText.objects.get().body == "ab[31m\nc \U0001f600 !"


def test_only_a_post_is_taken() -> None:
    for method in ("get", "put", "delete", "head"):
        for address in (INBOUND, DELIVERY):
            assert getattr(Client(), method)(address).status_code == 405


# --- what became of ours ------------------------------------------------------------------------------------

REPORT = {"event": "evt-9", "reference": "ref-1", "state": "delivered"}


@pytest.fixture
def sent() -> Message:
    """A text that the gateway took as ref-1."""
    return make_sent_text(make_patient(phone="303 555 0142"), reference="ref-1")


def test_a_delivery_is_recorded_once(sent: Message) -> None:
    assert post(DELIVERY, REPORT).json() == {"status": "kept"}
    assert post(DELIVERY, REPORT).json() == {"status": "seen"}
    report = DeliveryReport.objects.get()
    assert (report.message, report.state, report.detail) == (sent, "delivered", "")
    sent.refresh_from_db()
    assert sent.delivered_at == NOW
    assert sent.bounced_at is None


def test_a_failure_is_recorded_with_the_gateways_code(sent: Message) -> None:
    post(DELIVERY, REPORT | {"state": "failed", "code": "unreachable_handset"})
    sent.refresh_from_db()
    assert sent.bounced_at == NOW
    assert "unreachable_handset" in sent.bounce_detail


def test_a_code_that_may_hold_personal_data_is_not_kept(sent: Message) -> None:
    post(DELIVERY, REPORT | {"state": "failed", "code": "+1 303 555 0142 is off"})
    assert DeliveryReport.objects.get().detail == ""


def test_an_unknown_reference_is_answered_like_a_known_one_and_logged_without_it(
    sent: Message, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.DEBUG):
        answer = post(DELIVERY, REPORT | {"reference": "ref-of-another-sender"})
    assert (answer.status_code, answer.json()) == (200, {"status": "kept"})
    assert not DeliveryReport.objects.exists()
    assert "not ours" in caplog.text
    assert "ref-of-another-sender" not in caplog.text


def test_a_report_of_another_shape_is_refused(sent: Message) -> None:
    for over in ({"state": "lost"}, {"state": ["delivered"]}, {"reference": ""}, {"event": None}):
        assert post(DELIVERY, REPORT | over).status_code == 400
    assert not DeliveryReport.objects.exists()


# --- logs ---------------------------------------------------------------------------------------------------


def test_no_log_line_holds_a_word_or_a_number(caplog: pytest.LogCaptureFixture) -> None:
    make_patient(phone="303 555 0142")
    with caplog.at_level(logging.DEBUG):
        post(INBOUND, TEXT | {"text": "please stop texting me, Zebulon reads this"})
        post(INBOUND, TEXT | {"event": "evt-2", "text": "Zebulon"}, secret="x" * 40)
        post(INBOUND, TEXT | {"event": "evt-3", "from": "Zebulon"})
        post(INBOUND, b'{"text": "Zebulon')
    ours = [record for record in caplog.records if not record.name.startswith("django.db")]
    lines = "\n".join(record.getMessage() for record in ours)
    assert "Zebulon" not in lines
    assert "5550142" not in lines
    assert "a text came in: stop" in lines
