"""The demo clinic of one day, served as a deployment serves it (compressed files, the real web server), on
private servers under var/pictures. Made anew each time, so that the same code gives the same pictures.
"""

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from io import StringIO
from pathlib import Path
from typing import NoReturn

import psutil
import time_machine

from clinic import servers

ROOT = Path(__file__).resolve().parents[1]
FOLDER = ROOT / "var" / "pictures"
MORNING = datetime(2026, 3, 18, 15, tzinfo=UTC)
"""A Wednesday morning in both rooms of the demo, as in the tests."""
ROLES = ("desk", "therapist", "manager", "admin")
OURS = ("DATABASE_URL", "REDIS_URL", "CACHE_URL", "EMAIL_URL", "STATIC_FROM_SOURCE", "TEXT_URL")
"""Settings of somebody's environment that have no say here."""
WEB = (
    *("-m", "granian", "--interface", "wsgi", "--no-ws", "--workers", "1", "--blocking-threads", "4"),
    *("--no-access-log", "pictures.door:application"),
)


@dataclass(frozen=True, slots=True)
class Place:
    """The clinic that is open: its address, passwords by user name, and secrets of the second steps."""

    address: str
    passwords: dict[str, str]
    secrets: dict[str, str]

    def code(self, user: str) -> str:
        """What the authenticator app of somebody shows now (RFC 6238, thirty seconds, six digits)."""
        from allauth.mfa.totp.internal.auth import format_hotp_value, hotp_value

        return str(format_hotp_value(hotp_value(self.secrets[user], int(time.time()) // 30)))


@contextmanager
def opened() -> Iterator[Place]:
    """Open the clinic; everything that was started is stopped at the end."""
    var = FOLDER / "clinic"
    _stop(var)
    shutil.rmtree(var, ignore_errors=True)
    var.mkdir(parents=True)
    port = servers.free_port()
    _set_environment(var, port)
    signal.signal(signal.SIGTERM, lambda number, _: _end(var, number))
    try:
        os.environ["DATABASE_URL"] = servers.start_postgres(var / "postgres", durable=False)
        os.environ["REDIS_URL"] = servers.start_redis(var / "redis")
        with time_machine.travel(MORNING, tick=True):
            os.environ["PICTURES_SHIFT"] = str(MORNING.timestamp() - time_machine.escape_hatch.time.time())
            place = _prepare(f"http://127.0.0.1:{port}")
            with _served(port, FOLDER / "server.log"):
                yield place
    finally:
        _stop(var)


def _set_environment(var: Path, port: int) -> None:
    for name in OURS:
        os.environ.pop(name, None)
    os.environ.update(
        DEMO="1",
        VAR_DIR=str(var),
        GRANIAN_HOST="127.0.0.1",
        GRANIAN_PORT=str(port),
        PUBLIC_URL=f"http://127.0.0.1:{port}",
        LOG_LEVEL="ERROR",
        GRANIAN_LOG_LEVEL="error",
        DJANGO_SETTINGS_MODULE="clinic.settings",
        SECRET_KEY="only for pictures of invented people, " * 2,
        DJANGO_ALLOW_ASYNC_UNSAFE="1",  # the browser's driver keeps an event loop in this thread
    )


def _prepare(address: str) -> Place:
    """Tables, files, the demo clinic, passwords and second steps."""
    import django

    django.setup()
    from django.core.management import call_command

    call_command("migrate", verbosity=0, interactive=False)
    call_command("collectstatic", verbosity=0, interactive=False)
    call_command("load_demo", today=MORNING.date(), stdout=StringIO())
    printed = StringIO()
    call_command("demo_sign_ins", json=True, stdout=printed)
    passwords: dict[str, str] = json.loads(printed.getvalue())
    return Place(address, passwords, {name: _second_step_of(name) for name in ROLES})


def _second_step_of(name: str) -> str:
    """An authenticator app for somebody; returns its secret."""
    from allauth.mfa.totp.internal.auth import TOTP, generate_totp_secret

    from clinic.accounts.models import User

    secret = str(generate_totp_secret())
    TOTP.activate(User.objects.get(username=name), secret)
    return secret


@contextmanager
def _served(port: int, log: Path) -> Iterator[None]:
    with log.open("wb") as said:
        process = subprocess.Popen([sys.executable, *WEB], cwd=ROOT, env=dict(os.environ), stderr=said)
    try:
        servers.wait_for_port(port)
        yield
    finally:
        process.terminate()
        process.wait(timeout=30)


def _end(var: Path, number: int) -> NoReturn:
    """Told to end, nothing stays: by hand, since no exception gets through amid the browser's work."""
    for child in psutil.Process().children(recursive=True):
        child.kill()  # a server that is only starting hears nothing milder
    _stop(var)
    os._exit(128 + number)


def _stop(var: Path) -> None:
    servers.stop_redis(var / "redis")
    servers.stop_postgres(var / "postgres")
