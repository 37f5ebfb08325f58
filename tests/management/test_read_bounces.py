"""`manage.py read_bounces`: mails that came back, by Message-ID."""

import io
import mailbox
from pathlib import Path
from typing import Any

import pytest
from django.core.management import call_command

from resupply.models import BadAddress, Message
from resupply.rules.delivery_notices import SAMPLE
from resupply.services import outbox
from resupply.services.reminders import enqueue_due
from tests.services.sending import NOW, KeepingCarrier, make_due_patient

pytestmark = pytest.mark.django_db


def test_a_mail_that_came_back_stops_its_address_once(tmp_path: Path) -> None:
    patient = make_due_patient()
    enqueue_due(now=NOW)
    outbox.deliver({"mail": KeepingCarrier()}, now=NOW)
    message = Message.objects.get()
    report = SAMPLE.replace(b"7c9e6679", str(message.public_id).encode())
    box = mailbox.Maildir(tmp_path / "back")
    for content in (report, report, SAMPLE, b"Subject: away\n\nI am away."):
        box.add(content)
    said = io.StringIO()
    call_command("read_bounces", maildir=tmp_path / "back", stdout=said)
    assert said.getvalue().strip() == "read 4, about our mails 2"
    message.refresh_from_db()
    assert (message.bounce_detail, message.bounced_at is not None) == ("5.1.1", True)
    assert BadAddress.objects.get().address == patient.email


def test_a_mail_on_standard_input_says_that_it_arrived(monkeypatch: pytest.MonkeyPatch) -> None:
    make_due_patient()
    enqueue_due(now=NOW)
    outbox.deliver({"mail": KeepingCarrier()}, now=NOW)
    message = Message.objects.get()
    report: Any = SAMPLE.replace(b"7c9e6679", str(message.public_id).encode())
    report = report.replace(b"Action: failed", b"Action: delivered").replace(b"5.1.1", b"2.0.0")
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(report)))
    call_command("read_bounces", stdout=io.StringIO())
    message.refresh_from_db()
    assert message.delivered_at is not None
    assert message.bounced_at is None
