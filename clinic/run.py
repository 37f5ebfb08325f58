"""`make run`: a whole demo clinic on this machine; Ctrl-C leaves nothing of it running.

`python -m clinic.run` ends with 0 where it was asked to stop, 1 where a part of it failed, 2 where it may not
run as it was told to, 3 where the clinic of this folder runs already (that one goes on).
"""

import fcntl
import json
import os
import secrets
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from hashlib import sha256
from io import StringIO
from pathlib import Path
from types import FrameType

import django
from django.apps import apps
from django.conf import settings
from django.contrib.staticfiles.finders import get_finders
from django.core.management import call_command
from django.db import connections

from clinic import livez, servers
from clinic.processes import MIGRATE, PROCESSES, is_loopback
from clinic.supervisor import Supervisor, say, wait_until

ROOT = Path(__file__).resolve().parent.parent


FAILED, REFUSED, RUNS_ALREADY = 1, 2, 3


class RunsAlreadyError(Exception):
    """Another run holds the folder."""


class StopRequested(BaseException):
    """Somebody asked the whole to stop. As with KeyboardInterrupt, no `except Exception` may take it."""


_asked = threading.Event()
"""Somebody asked the whole to stop."""
_undisturbed = threading.Event()
"""Servers are starting or everything is ending: whoever asks has to wait for that."""


def main() -> int:
    """Run the demo until it is stopped; return the exit code."""
    if os.environ.get("DEMO") != "1":
        say("This starts a demonstration (DEMO=1, as `make run` sets it). A clinic runs docker-compose.yml.")
        return REFUSED
    if not is_loopback(os.environ.get("HOST", "127.0.0.1")):
        say("The demo has invented people and printed passwords: it serves this machine only. Unset HOST.")
        return REFUSED
    wished = os.environ.get("PORT") or "8000"
    if not (wished.isdecimal() and int(wished) < 65536):
        say(f"PORT must be a number up to 65535, not {wished!r}.")
        return REFUSED
    var = Path(os.environ.get("VAR_DIR", ROOT / "var")).resolve()
    var.mkdir(parents=True, exist_ok=True)
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, _stop)
    try:
        with _only_one(var), _servers(var):
            return _serve(var, int(wished))
    except RunsAlreadyError:
        say(f"Already running in {var}: this one ends, that one goes on.")
        return RUNS_ALREADY
    except StopRequested:
        return 0
    except Exception:
        if not _asked.is_set():
            raise
        return 0  # stopped amid a database's answer, its client fails in a way of its own


def _stop(number: int, frame: FrameType | None) -> None:
    """End the preparations, or the watch, at the point they have reached."""
    _asked.set()
    if not _undisturbed.is_set():
        raise StopRequested


def _go_on() -> None:
    """Let signals in again, and follow one that came meanwhile."""
    _undisturbed.clear()
    if _asked.is_set():
        raise StopRequested


@contextmanager
def _only_one(var: Path) -> Iterator[None]:
    """Hold the folder: a second run in it would share the servers and stop them under the first."""
    with (var / "run.lock").open("w") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise RunsAlreadyError from None
        try:
            yield
        finally:
            say("Stopped.")


@contextmanager
def _servers(var: Path) -> Iterator[None]:
    """Have a database and a queue: those the environment names, else private ones under var/."""
    _undisturbed.set()
    try:
        if not os.environ.get("DATABASE_URL"):
            say("Starting PostgreSQL ...")
            os.environ["DATABASE_URL"] = servers.start_postgres(var / "postgres")
        if not os.environ.get("REDIS_URL"):
            os.environ["REDIS_URL"] = servers.start_redis(var / "redis")
        _go_on()
        yield
    finally:
        _undisturbed.set()
        servers.stop_redis(var / "redis")
        servers.stop_postgres(var / "postgres")


def _serve(var: Path, wished: int) -> int:
    """Prepare the database, start the processes, say where the site is, and watch until stopped."""
    port = servers.free_port(wished)
    if port != wished:
        say(f"Port {wished} is taken; using {port}.")
    _set_environment(var, port)
    sign_ins = _prepare()
    _go_on()
    supervisor = Supervisor(PROCESSES, os.environ, ROOT)
    try:
        supervisor.start()
        if not wait_until(livez.answers, seconds=60, give_up=supervisor.has_lost_one):
            say("The web server did not answer.")
            return FAILED
        _announce(f"http://127.0.0.1:{port}/", sign_ins)
        supervisor.watch()
        return FAILED
    finally:
        _undisturbed.set()
        say("Stopping ...")
        supervisor.shut_down()


def _set_environment(var: Path, port: int) -> None:
    """Tell settings and processes where they are; keep one secret key under var/ so that sessions survive."""
    key = var / "secret-key"
    if not key.exists():
        with os.fdopen(os.open(key, os.O_WRONLY | os.O_CREAT, 0o600), "w") as file:
            file.write(secrets.token_urlsafe(50))
    os.environ.update(
        VAR_DIR=str(var),
        GRANIAN_HOST="127.0.0.1",
        GRANIAN_PORT=str(port),
        PUBLIC_URL=os.environ.get("PUBLIC_URL") or f"http://127.0.0.1:{port}",
        LOG_LEVEL=os.environ.get("LOG_LEVEL") or "WARNING",
        GRANIAN_LOG_LEVEL=os.environ.get("GRANIAN_LOG_LEVEL") or "warning",
        DJANGO_SETTINGS_MODULE="clinic.settings",
        PYTHONUNBUFFERED="1",
    )


def _prepare() -> dict[str, str]:
    """Bring database and files up to date, load the demo into an empty clinic, return the sign-ins."""
    say("Preparing the database and the pages ...")
    django.setup()
    call_command(*MIGRATE[2:], verbosity=0)
    _gather_static_files()
    if not apps.get_model("resupply", "Patient").objects.exists():
        say("Loading the demo clinic ...")
        call_command("load_demo")
    printed = StringIO()
    call_command("demo_sign_ins", json=True, stdout=printed)
    connections.close_all()
    sign_ins: dict[str, str] = json.loads(printed.getvalue())
    return sign_ins


def _gather_static_files() -> None:
    """Collect styles and scripts, with their compressed copies, unless that was done for the same files."""
    digest = sha256()
    for finder in get_finders():
        for name, storage in sorted(finder.list([]), key=lambda found: found[0]):
            status = Path(storage.path(name)).stat()
            digest.update(f"{name} {status.st_size} {status.st_mtime_ns}\n".encode())
    gathered = Path(settings.STATIC_ROOT) / ".gathered"
    if not gathered.exists() or gathered.read_text() != digest.hexdigest():
        call_command("collectstatic", interactive=False, clear=True, verbosity=0)
        gathered.write_text(digest.hexdigest())


def _announce(address: str, sign_ins: dict[str, str]) -> None:
    """Print the address and, once, who may sign in."""
    patient = sign_ins.pop("patient", "")
    width = max((len(name) for name in sign_ins), default=0)
    rows = [f"    {name:<{width}}   {password}" for name, password in sign_ins.items()]
    say("\n".join(["", f"  The demo clinic is open: {address}", "", "  Sign in as", *rows, ""]))
    if patient:
        say(f"  A patient's own page: {patient}\n")
    say("  Everyone in it is invented. The passwords are new at every start and work on this machine only.")
    say("  Ctrl-C stops everything.\n")


if __name__ == "__main__":
    sys.exit(main())
