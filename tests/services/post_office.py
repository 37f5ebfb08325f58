"""Real parts for tests of sending: an SMTP server in this process, and other processes on the test's
database."""

import os
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path
from urllib.parse import quote

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session
from django.db import connection

from clinic import environment, servers
from resupply.models import Patient
from resupply.services.dispensing import NewLine, record_dispense
from tests.builders import make_consent, make_location, make_patient

ROOT = Path(__file__).resolve().parents[2]


class Sink:
    """Takes every mail; `on_mail` runs after a mail has been taken and before the sender hears so."""

    def __init__(self) -> None:
        self.mails: list[EmailMessage] = []
        self.on_mail: Callable[[EmailMessage], None] = lambda mail: None
        self.controller = Controller(self, hostname="127.0.0.1", port=servers.free_port())

    @property
    def url(self) -> str:
        """For EMAIL_URL."""
        return f"smtp://127.0.0.1:{self.controller.port}"

    def sent_to(self, patient: Patient) -> list[EmailMessage]:
        """The mails of one patient."""
        return [mail for mail in self.mails if mail["To"] == patient.email]

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:  # noqa: N802
        """aiosmtpd's hook."""
        assert isinstance(envelope.content, bytes)
        mail = message_from_bytes(envelope.content, EmailMessage, policy=policy.default)
        self.mails.append(mail)
        self.on_mail(mail)
        return "250 OK"


def process_environment(*, folder: Path, email_url: str, redis_url: str) -> dict[str, str]:
    """Variables of a process that works on this test's own database."""
    database = connection.settings_dict
    place = quote(str(database["HOST"]), safe="/")
    user = ":".join(quote(str(part), safe="") for part in (database["USER"], database["PASSWORD"]) if part)
    return {
        **os.environ,
        "DEMO": "1",
        "DATABASE_URL": f"postgresql://{user}@:{database['PORT']}/{database['NAME']}?host={place}".replace(
            "@:/", "@/"
        ),
        "REDIS_URL": redis_url,
        "CACHE_URL": environment.beside(redis_url),
        "EMAIL_URL": email_url,
        "VAR_DIR": str(folder),
        "SWEEP_SECONDS": "1",
        "PYTHONDONTWRITEBYTECODE": "1",
    }


def start(command: tuple[str, ...], variables: dict[str, str], log: Path) -> subprocess.Popen[bytes]:
    """Start one of the project's processes in a session of its own; its words go to `log`."""
    words = [sys.executable if word == "python" else word for word in command]
    with log.open("ab") as output:
        return subprocess.Popen(
            words, cwd=ROOT, env=variables, stdout=output, stderr=subprocess.STDOUT, start_new_session=True
        )


def wait_until(holds: Callable[[], object], *, seconds: float = 120) -> None:
    """Return as soon as something holds; fail after so many seconds."""
    deadline = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < deadline, f"did not come true within {seconds:.0f} seconds"
        time.sleep(0.05)


def zone_where_it_is_noon(now: datetime) -> str:
    """A zone whose clock shows twelve-something, so that no test depends on the hour it runs at."""
    ahead = 12 - now.astimezone(UTC).hour
    return f"Etc/GMT{-ahead:+d}" if ahead else "Etc/GMT"


def make_overdue_patient(email: str, *, now: datetime, days: int = 10) -> Patient:
    """A patient whose one line, recorded by the service, ran out `days` days ago; says yes to e-mail."""
    zone = zone_where_it_is_noon(now)
    patient = make_patient(email=email, time_zone=zone, location=make_location(time_zone=zone))
    make_consent(patient)
    dispense(patient, now=now, on=now - timedelta(days=days + 31), quantity=1)
    line = patient.plan_lines.get()
    assert 9 <= (now.date() - line.supply_ends_on).days <= 14
    return patient


def dispense(patient: Patient, *, now: datetime, on: datetime, quantity: int) -> None:
    """Record cushions given on a day."""
    record_dispense(
        patient=patient,
        location=patient.location,
        dispensed_on=on.date(),
        lines=[NewLine(part_code="A7032", quantity=quantity)],
        by=None,
        now=now,
    )
