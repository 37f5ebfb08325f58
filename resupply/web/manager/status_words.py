"""Words of the status page: what a finding means and what to do about it, and the figures by section."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from resupply.queries.health import Machinery
from resupply.rules.health import Finding, Grade
from resupply.web.wording import size_words


@dataclass(frozen=True, slots=True)
class Machine:
    """What is known besides the database. Sizes in bytes; `rings` None: the queue did not answer."""

    rings: int | None
    program: str
    python: str
    django: str
    database: str
    database_bytes: int
    disk_free: int
    disk_total: int


@dataclass(frozen=True, slots=True)
class Notice:
    """One thing that needs somebody: how loud, what is the matter, what to do."""

    kind: str
    title: str
    text: str


@dataclass(frozen=True, slots=True)
class Figure:
    """A line of a section."""

    label: str
    value: str
    note: str = ""


_WORDS = {
    "migrations": (
        "The database is behind the program.",
        "Run the migrations of this version, or start the version before.",
    ),
    "heartbeat": (
        "No heartbeat comes through.",
        "Scheduler, queue or worker stands still: no message goes out and no calendar is brought up to date."
        " See which of them is not running; its log says why.",
    ),
    "outbox": (
        "Messages wait that are due.",
        "The worker does not get to them. See its log, and whether the mail server answers.",
    ),
    "queue": (
        "The queue does not answer.",
        "Nothing is lost: what is due stands in the database and goes out once the queue is back.",
    ),
    "disk": (
        "The disk is nearly full.",
        "A tenth of it is left, or less. A database that cannot write refuses every change.",
    ),
    "backup": (
        "There is no backup of the last day.",
        "Run back_up, see that its schedule works, and restore one now and then to know that it can be done.",
    ),
    "seal": (
        "Change history waits for its seal.",
        "Until it is sealed, a change of it would not show. See the worker’s log.",
    ),
    "failed": ("Messages did not arrive.", "The desk finds them under Messages that did not arrive."),
    "jobs": ("A job waits for a worker.", "For half an hour or longer. See whether the worker is busy."),
}


def notices(found: Iterable[Finding]) -> list[Notice]:
    """The findings in words; one that says all is well where there are none."""
    kinds = {Grade.BROKEN: "alarm", Grade.LOOK: "attention"}
    said = [Notice(kinds[one.grade], *_WORDS[one.code]) for one in found]
    return said or [Notice("done", "Nothing needs you.", "Everything that is watched is as it should be.")]


def sections(machinery: Machinery, machine: Machine, *, now: datetime) -> list[tuple[str, list[Figure]]]:
    """Every figure, by what it is about."""
    return [
        ("Messages", _messages(machinery, now)),
        ("Work", _work(machinery, machine, now)),
        ("Backup and history", _kept(machinery, now)),
        ("Machine", _machine(machinery, machine)),
    ]


def _messages(machinery: Machinery, now: datetime) -> list[Figure]:
    box = machinery.outbox
    return [
        Figure("Waiting", f"{box.waiting:,}", "for their hour, or for a worker"),
        Figure("Due now", f"{box.due:,}", _since(box.oldest_due_at, now, "the oldest for")),
        Figure("Being sent", f"{box.sending:,}"),
        Figure("Tried, and tried again", f"{box.again:,}", "the carrier did not take them yet"),
        Figure("Did not arrive", f"{box.failed:,}", "and nobody has looked at them"),
    ]


def _work(machinery: Machinery, machine: Machine, now: datetime) -> list[Figure]:
    jobs, beat = machinery.jobs, machinery.heartbeat_at
    rings = "does not answer" if machine.rings is None else f"{machine.rings:,} waiting"
    return [
        Figure("Last heartbeat", _ago(beat, now), "scheduler, queue, worker, database"),
        Figure("Queue", rings),
        Figure("Jobs waiting", f"{jobs.waiting:,}", _since(jobs.oldest_at, now, "the oldest for")),
        Figure("Jobs at work", f"{jobs.running:,}"),
        Figure("Jobs that stopped", f"{jobs.stopped:,}", "in the last seven days"),
    ]


def _kept(machinery: Machinery, now: datetime) -> list[Figure]:
    backup, broken, seal = machinery.backup, machinery.broken_backup, machinery.seal
    figures = [
        Figure(
            "Last backup",
            _ago(backup.finished_at if backup else None, now),
            backup.file_name if backup else "",
        )
    ]
    if backup:
        what = f"{backup.rows or 0:,} rows, key {backup.key_id}"
        figures.append(Figure("Its size", size_words(backup.file_size or 0), what))
    if broken:
        figures.append(Figure("Broke off since", _ago(broken.began_at, now), broken.error))
    name = f"number {seal.number}, {seal.digest[:16]}…" if seal else ""
    return [
        *figures,
        Figure("Last seal of history", _ago(seal.sealed_at if seal else None, now), name),
        Figure("Changes without a seal", f"{machinery.unsealed:,}"),
    ]


def _machine(machinery: Machinery, machine: Machine) -> list[Figure]:
    missing = ", ".join(machinery.unapplied)
    versions = f"Python {machine.python}, Django {machine.django}, PostgreSQL {machine.database}"
    free = f"{size_words(machine.disk_free)} of {size_words(machine.disk_total)}"
    return [
        Figure("Program", machine.program, versions),
        Figure("Migrations", "all there" if not missing else "missing", missing),
        Figure("Database", size_words(machine.database_bytes)),
        Figure("Free on this disk", free, "of the web’s machine; the database may have its own"),
    ]


def _ago(moment: datetime | None, now: datetime) -> str:
    return "never" if moment is None else f"{_span(moment, now)} ago"


def _since(moment: datetime | None, now: datetime, words: str) -> str:
    return "" if moment is None else f"{words} {_span(moment, now)}"


def _span(moment: datetime, now: datetime) -> str:
    """How long, in the largest unit of which there are two or more."""
    seconds = max(0, int((now - moment).total_seconds()))
    for unit, length in (("days", 86400), ("hours", 3600), ("minutes", 60)):
        if seconds >= 2 * length:
            return f"{seconds // length} {unit}"
    return f"{seconds} second{'' if seconds == 1 else 's'}"
