"""How a worker or a scheduler of the fault test starts: the project's own command, after two things.

1. Every time that is waited for is divided by one number, so that minutes become seconds and each keeps its
   place among the others (mail's time-out < a run of `deliver` < task limit < lease < the queue's time-out).
2. The steps of `outbox` are wrapped, so that a process that passes a *point* can be made to die or freeze
   exactly there. The product knows nothing of it: its functions are replaced in this process alone.

`python -m tests.faults.entry FOLDER DIVISOR worker ...`; in FOLDER lie the files by which a test arms a point
(`armed/<point>`), and the log of what passed (`passed`).
"""

import contextlib
import functools
import json
import os
import signal
import sys
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

POINTS = {
    "claimed": "messages are claimed, nothing is looked at",
    "looked": "they were looked at again, none is begun",
    "begun": "one is begun, and not yet sent",
    "taken": "the mail server has said yes, and the row is not yet marked",
    "marked": "the row is marked",
}


def main() -> None:
    """Start Celery as the process table does."""
    folder, divisor, *words = sys.argv[1:]
    import django

    from clinic import celery as wiring

    django.setup()
    divide_times(wiring.app.conf, float(divisor))
    wrap_points(Points(Path(folder)))
    follow_clock(Path(folder))
    from celery.__main__ import main as start

    sys.argv = ["celery", *words]
    start()


def divide_times(conf: Any, divisor: float) -> None:
    """Shorten whatever is waited for: of the outbox, of sending, of mail, of the queue, of the scheduler."""
    from django.conf import settings

    from resupply import tasks
    from resupply.rules import sending
    from resupply.services import outbox

    outbox.LEASE /= divisor
    outbox.TIME /= divisor
    sending._WAITS = tuple(wait / divisor for wait in sending._WAITS)
    sending._UNREACHABLE_WAIT /= divisor
    settings.EMAIL_TIMEOUT /= divisor
    tasks.RING_LASTS /= divisor
    for limit in ("task_time_limit", "task_soft_time_limit", "worker_soft_shutdown_timeout"):
        conf[limit] /= divisor
    transport = dict(conf.broker_transport_options)
    for wait in ("visibility_timeout", "socket_timeout", "health_check_interval"):
        transport[wait] /= divisor
    transport["unacked_restore_interval"] = max(1, transport["unacked_restore_interval"] / divisor)
    conf.broker_transport_options = transport
    conf.visibility_timeout /= divisor
    for name in ("sweep", "heartbeat"):
        ring = conf.beat_schedule[name]
        ring["schedule"] /= divisor
        ring["options"]["expires"] /= divisor


class Points:
    """What happens where a process passes a point."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def passed(self, point: str, message: object, result: object, *, since: float) -> None:
        """Note it, and strike if this point is armed; of several processes one finds it armed. `since`: when
        its step began, in UNIX seconds.
        """
        self._write("passed", point=point, message=message, result=result, since=since)
        armed = self.folder / "armed" / point
        if not armed.exists():
            return
        taken = self.folder / f"{point}-{os.getpid()}"
        with contextlib.suppress(FileNotFoundError):
            armed.rename(taken)
            how = taken.read_text()
            self._write("struck", point=point, message=message, how=how)
            taken.unlink()
            STRIKES[how]()

    def _write(self, name: str, **what: object) -> None:
        line = json.dumps({"at": time.time(), "pid": os.getpid(), "group": os.getpgid(0), **what})
        with (self.folder / name).open("a") as file:  # one short write: lines of processes do not mix
            file.write(f"{line}\n")


def _freeze() -> None:
    os.killpg(os.getpgid(0), signal.SIGSTOP)


STRIKES: dict[str, Callable[[], None]] = {
    "kill child": lambda: os.kill(os.getpid(), signal.SIGKILL),
    "kill worker": lambda: os.killpg(os.getpgid(0), signal.SIGKILL),
    "freeze": _freeze,
}


def follow_clock(folder: Path) -> None:
    """The program's clock goes as many seconds behind as the file `clock` says, once it is there."""
    from resupply import clock

    real, file = clock.now, folder / "clock"

    def now() -> datetime:
        return real() - timedelta(seconds=float(file.read_text())) if file.exists() else real()

    clock.now = now


def wrap_points(points: Points) -> None:
    """Replace the steps of sending by themselves with a point behind them."""
    from resupply.delivery.mail import MailCarrier
    from resupply.services import outbox

    now: dict[str, object] = {"message": None}

    def behind(step: Callable[..., Any], point: str) -> Callable[..., Any]:
        @functools.wraps(step)
        def stepped(*given: Any, **named: Any) -> Any:
            if point in {"begun", "marked"}:
                now["message"] = given[0].message_id
            since = time.time()
            result = step(*given, **named)
            if point == "claimed" and not result:
                return result
            is_done = result if isinstance(result, bool) else None
            points.passed(
                point if is_done is not False else f"{point} refused", now["message"], is_done, since=since
            )
            return result

        return stepped

    for name, point in (
        ("claim", "claimed"),
        ("look_again", "looked"),
        ("begin", "begun"),
        ("finish", "marked"),
    ):
        setattr(outbox, name, behind(getattr(outbox, name), point))
    MailCarrier.send = behind(MailCarrier.send, "taken")  # type: ignore[method-assign]


if __name__ == "__main__":
    main()
