"""Cleaning: which tasks a patient has, in which checklists, and on which days.

A patient has the tasks of the kinds of parts held now; whoever holds any part also has those of the device.
Tasks of one frequency form one checklist: daily; weekly, on the patient's weekday; monthly, on a day of the
month, or on the month's last day where the month is shorter. There is no cleaning during a therapy pause: a
series ends where the pause starts, and a new one starts where it ends. The clinic's choices are dated, so a
series also ends where its tasks change; choices of days to come count already.

Edge cases: a pause that starts after `as_of` is not known yet; an open one ends every series; a frequency
with no task left has no checklist. Frequencies are defaults by consensus of public guidance, not evidence
(`cleaning_tasks.toml` names the sources), and editable.

>>> first, second = checklists(
...     held=[Kind.CUSHION], held_since=date(2026, 1, 1), choices=[], as_of=date(2026, 3, 1),
...     pauses=[Pause(date(2026, 2, 1), date(2026, 2, 8))],
... )[:2]
>>> first.starts_on.isoformat(), first.ends_on.isoformat(), first.tasks
('2026-01-01', '2026-02-01', ('wash_cushion',))
>>> second.starts_on.isoformat(), second.ends_on
('2026-02-08', None)
>>> monthly = Checklist(Frequency.MONTHLY, date(2026, 1, 1), None, ("check_filter",))
>>> [f"{day:%m-%d}" for day in dates(
...     monthly, weekday=6, month_day=31, start=date(2026, 1, 1), end=date(2026, 5, 1))]
['01-31', '02-28', '03-31', '04-30']
"""

import tomllib
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from enum import StrEnum
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

from resupply.rules.facts import Pause
from resupply.rules.kinds import Kind
from resupply.rules.pauses import spans
from resupply.rules.periods import Period, Unit, add, add_days


class Frequency(StrEnum):
    """How often a cleaning task is done."""

    DAILY = "daily"
    WEEKLY = "weekly"
    MONTHLY = "monthly"


@dataclass(frozen=True, slots=True)
class CleaningTask:
    """A shipped task. `kinds` are the kinds held that bring it; `for_device`: whoever holds any part has it.

    `frequency` is the default, `sources` those who say so, `seen` what each source says (empty frequency: an
    interval that is none of ours). `title` and `how` are texts by language code.
    """

    code: str
    kinds: frozenset[Kind]
    for_device: bool
    frequency: Frequency
    seen: Mapping[str, Frequency | None]
    sources: tuple[str, ...]
    mark: str
    title: Mapping[str, str]
    how: Mapping[str, str]
    after_illness: bool = False
    """Done once more when the patient was ill."""


@dataclass(frozen=True, slots=True)
class Caution:
    """A caution shown with cleaning, by language code, with who says so."""

    code: str
    mark: str
    source: str
    text: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class FirstUse:
    """The wash of new parts of these kinds on the day they are first used."""

    on: date
    kinds: tuple[Kind, ...]


@dataclass(frozen=True, slots=True)
class CleaningVersion:
    """The clinic's choice from a day on: a task's frequency, or None where the task is not used."""

    effective_from: date
    task: str
    frequency: Frequency | None
    ref: str = ""


@dataclass(frozen=True, slots=True)
class Checklist:
    """The tasks (codes, in the table's order) of one frequency in `[starts_on, ends_on)`; None: goes on."""

    frequency: Frequency
    starts_on: date
    ends_on: date | None
    tasks: tuple[str, ...]


@cache
def cleaning_tasks() -> Mapping[str, CleaningTask]:
    """Shipped tasks by code, in the order in which a person does them."""
    table = _load()
    tasks = (_task(row, table["sources"]) for row in table["task"])
    return MappingProxyType({task.code: task for task in tasks})


@cache
def cautions() -> tuple[Caution, ...]:
    """What is shown wherever cleaning is shown."""
    table = _load()
    return tuple(
        Caution(row["code"], row["mark"], row.get("source", table["sources"]["CP"]), row["text"])
        for row in table["caution"]
    )


@cache
def first_use_wash() -> CleaningTask:
    """The task "wash before first use": it has a day, so its `frequency` and `seen` say nothing."""
    table = _load()
    row = {**table["first_use"], "frequency": Frequency.DAILY, "seen": {}, "sources": ["CP"]}
    return _task(row, table["sources"])


def checklists(
    *,
    held: Collection[Kind],
    held_since: date | None,
    pauses: Sequence[Pause],
    choices: Sequence[CleaningVersion],
    as_of: date,
) -> tuple[Checklist, ...]:
    """Every series of checklists since the patient first held a part, by frequency and day.

    `held` are the kinds held now, `held_since` the day of the first part (None: nothing held, no cleaning).
    `choices` in the order of recording: of one task and day the last counts.
    """
    if held_since is None or not held:
        return ()
    ordered = sorted(choices, key=lambda choice: choice.effective_from)
    paused = spans([replace(p, until=p.until or date.max) for p in pauses], as_of=as_of)
    bounds = {held_since, *(choice.effective_from for choice in ordered)}
    bounds.update(day for span in paused for day in span)
    days = sorted(day for day in bounds if day >= held_since and day < date.max)
    pieces: dict[Frequency, list[Checklist]] = {frequency: [] for frequency in Frequency}
    for day, following in zip(days, [*days[1:], None], strict=True):
        if any(span.start <= day < span.until for span in paused):
            continue
        for frequency, tasks in _tasks_on(day, held, ordered).items():
            _append(pieces[frequency], Checklist(frequency, day, following, tasks))
    return tuple(piece for series in pieces.values() for piece in series)


def dates(checklist: Checklist, *, weekday: int, month_day: int, start: date, end: date) -> Iterator[date]:
    """Days of a checklist in `[start, end)`; `weekday` counts from Monday = 0, `month_day` is 1 to 31."""
    day = max(start, checklist.starts_on)
    end = end if checklist.ends_on is None else min(end, checklist.ends_on)
    match checklist.frequency:
        case Frequency.DAILY:
            days = _every(day, 1)
        case Frequency.WEEKLY:
            days = _every(add_days(day, (weekday - day.weekday()) % 7), 7)
        case Frequency.MONTHLY:
            days = _monthly(day, month_day)
    for day in days:
        if day >= end:
            return
        yield day


def first_use_washes(starts: Mapping[Kind, Iterable[date]]) -> tuple[FirstUse, ...]:
    """Washes before first use, one a day, for new parts of these kinds starting on these days."""
    by_day: dict[date, list[Kind]] = {}
    for kind in Kind:
        if kind in first_use_wash().kinds:
            for day in starts.get(kind, ()):
                by_day.setdefault(day, []).append(kind)
    return tuple(FirstUse(day, tuple(by_day[day])) for day in sorted(by_day))


def _tasks_on(
    day: date, held: Collection[Kind], choices: Sequence[CleaningVersion]
) -> dict[Frequency, tuple[str, ...]]:
    """Task codes by frequency as the versions in force on a day have them."""
    chosen = {choice.task: choice.frequency for choice in choices if choice.effective_from <= day}
    found: dict[Frequency, tuple[str, ...]] = {}
    for task in cleaning_tasks().values():
        frequency = chosen.get(task.code, task.frequency)
        if frequency is not None and (task.for_device or not task.kinds.isdisjoint(held)):
            found[frequency] = (*found.get(frequency, ()), task.code)
    return found


def _append(series: list[Checklist], piece: Checklist) -> None:
    """Add a piece; one that goes on from the last with the same tasks prolongs it."""
    if series and series[-1].ends_on == piece.starts_on and series[-1].tasks == piece.tasks:
        series[-1] = replace(series[-1], ends_on=piece.ends_on)
    else:
        series.append(piece)


def _every(day: date, step: int) -> Iterator[date]:
    while True:
        yield day
        if date.max - day < timedelta(days=step):
            return
        day += timedelta(days=step)


def _monthly(day: date, month_day: int) -> Iterator[date]:
    """Month by month from a day on: the day of the month, clamped to the month's last day."""
    anchor = date(day.year, 1, month_day)  # January has every day of a month
    for months in range(day.month - 1, (date.max.year + 1 - day.year) * 12):
        found = add(anchor, Period(1, Unit.MONTH), times=months)
        if found >= day:
            yield found


def _task(row: Mapping[str, Any], sources: Mapping[str, str]) -> CleaningTask:
    return CleaningTask(
        code=row["code"],
        kinds=frozenset(Kind(kind) for kind in row["kinds"] if kind != "device"),
        for_device="device" in row["kinds"],
        frequency=Frequency(row["frequency"]),
        seen={
            sources[key]: None if seen == "other" else Frequency(seen) for key, seen in row["seen"].items()
        },
        sources=tuple(sources[key] for key in row["sources"]),
        mark=row["mark"],
        title=row["title"],
        how=row["how"],
        after_illness=row.get("after_illness", False),
    )


@cache
def _load() -> dict[str, Any]:
    """The parsed table beside this module."""
    return tomllib.loads(Path(__file__).with_name("cleaning_tasks.toml").read_text("utf-8"))
