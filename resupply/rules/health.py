"""When the machinery needs a person: what is measured, from when on it counts, and how much it matters.

Every bound is ours, and a multiple of the pace of what it watches: a heartbeat is due every 15 s, due
messages go out within a sweep of a minute, history is sealed every minute, a backup made once a day.

`BROKEN`: patients or staff are not served, or will not be shortly. `LOOK`: nobody is hurt yet.

>>> [one.code for one in findings(Facts(heartbeat_s=20, unsent_s=0, unapplied=0, backup_s=3600, seal_s=None))]
[]
>>> late = Facts(heartbeat_s=None, backup_s=200_000, unsealed=3, seal_s=None)
>>> [(one.code, one.grade) for one in findings(late)]
[('heartbeat', <Grade.BROKEN: 'broken'>), ('backup', <Grade.LOOK: 'look'>), ('seal', <Grade.LOOK: 'look'>)]
"""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

HEARTBEAT_S = 90
"""Seconds without a heartbeat: six were missed, or a worker is being restarted for too long."""
UNSENT_S = 15 * 60
"""Seconds a message may be due without a try to send it: ten minutes of a fault, and time to catch up."""
BACKUP_S = 26 * 3600
"""A day, and two hours for the backup to be made in."""
SEAL_S = 3600
"""Seconds since the last seal while there are changes without one."""
JOB_S = 30 * 60
"""Seconds a job may wait for a worker."""
DISK_FREE = 0.1
"""Part of the disk that is to be free."""


class Grade(StrEnum):
    """How much a finding matters."""

    BROKEN = "broken"
    LOOK = "look"


@dataclass(frozen=True, slots=True)
class Facts:
    """What was measured. Ages in seconds; None: there was none yet.

    `unsent_s`: since when the oldest due message waits; 0: none waits. `queue`: rings that nobody answered
    yet; None: the queue did not answer. `disk_free`: a part of 1; None: not looked at. `unsealed`: changes
    that no seal covers yet.
    """

    heartbeat_s: float | None = 0
    unsent_s: float = 0
    unapplied: int = 0
    failed: int = 0
    backup_s: float | None = 0
    backup_broke: bool = False
    seal_s: float | None = 0
    unsealed: int = 0
    job_s: float = 0
    queue: int | None = 0
    disk_free: float | None = None


@dataclass(frozen=True, slots=True)
class Finding:
    """Something to do. `code` names what it is about."""

    code: str
    grade: Grade


SERVES = frozenset({"migrations"})
"""What a web process needs to answer, besides the database."""
READY = SERVES | {"heartbeat", "outbox"}
"""What the clinic needs for patients to get their messages, besides."""


def findings(facts: Facts) -> Iterator[Finding]:
    """What needs a person, the worst first."""
    if facts.unapplied:
        yield Finding("migrations", Grade.BROKEN)
    if _older(facts.heartbeat_s, HEARTBEAT_S):
        yield Finding("heartbeat", Grade.BROKEN)
    if facts.unsent_s > UNSENT_S:
        yield Finding("outbox", Grade.BROKEN)
    if facts.queue is None:
        yield Finding("queue", Grade.BROKEN)
    if facts.disk_free is not None and facts.disk_free < DISK_FREE:
        yield Finding("disk", Grade.LOOK)
    if facts.backup_broke or _older(facts.backup_s, BACKUP_S):
        yield Finding("backup", Grade.LOOK)
    if facts.unsealed and _older(facts.seal_s, SEAL_S):
        yield Finding("seal", Grade.LOOK)
    if facts.failed:
        yield Finding("failed", Grade.LOOK)
    if facts.job_s > JOB_S:
        yield Finding("jobs", Grade.LOOK)


def _older(age: float | None, most: float) -> bool:
    return age is None or age > most
