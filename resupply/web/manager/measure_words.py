"""The measures in words: names, what each number means, the finding of a year, the cells of a table."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from resupply.queries.measures import Cell, quantile
from resupply.web.wording import counted, month_words

Series = Sequence[tuple[date, Cell]]
"""Months in order, the present one last, each with what was counted."""
_SUPPLY = (
    "Of all lines of patients on therapy that does not pause, those whose supply had not ended before "
    "the day: today for the present month, its last day for a month before."
)
_OVERDUE = (
    "Of the lines overdue on that day, the days since supply ended: the median (half are overdue no "
    "longer), and the number that nine in ten do not exceed. Snoozed lines count."
)
_QUESTIONS = (
    "Refill questions asked in the month of which a message went out; those with an answer that stands; "
    "with a yes; and with at least one wanted part dispensed since (linked to the answer, or of its "
    "kind from the day of the answer on). Late months still fill."
)
_WAITS = (
    "Parts dispensed in the month that were given from a recorded yes, without exchanges: days from the "
    "day of the answer to the day of the dispense, the median and what nine in ten do not exceed."
)
_FAILURES = (
    "E-mails and text messages that left the queue in the month: those that were sent, and those that "
    "could not be. What was cancelled before it went out does not count."
)
_CLEANING = (
    "Patients whose link to the own page was good on some day of the month, and patients who ticked at "
    "least one cleaning task of a day in it. Who cleans without ticking is not counted."
)
_UNKNOWN = ("–", "–", "–")
"""Of a month whose lines were not counted: no number is not nought."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """One measure: `value` draws a month's column, `mark` the stroke; `cells` fill a row under `head`."""

    slug: str
    name: str
    means: str
    unit: str
    head: tuple[str, ...]
    value: Callable[[Cell], float | None]
    mark: Callable[[Cell], float | None] = lambda cell: None
    mark_is: str = ""
    cells: Callable[[Cell], tuple[str, ...]]
    finding: Callable[[Series], str]


def share(part: int, whole: int) -> float | None:
    """Percent; None of nothing."""
    return part / whole * 100 if whole else None


def percent(part: int, whole: int) -> str:
    """`87.9 %`; a dash of nothing."""
    found = share(part, whole)
    return "–" if found is None else f"{found:.1f} %"


def _spread(days: Mapping[int, int]) -> tuple[str, ...]:
    """How many cases, their median and what nine in ten do not exceed."""
    half, most = quantile(days, 0.5), quantile(days, 0.9)
    return (
        f"{sum(days.values()):,}",
        "–" if half is None else f"{half:,}",
        "–" if most is None else f"{most:,}",
    )


def _of(part: int, whole: int) -> tuple[str, ...]:
    """A whole, its part and the share."""
    return f"{whole:,}", f"{part:,}", percent(part, whole)


def _supply(series: Series) -> str:
    now = series[-1][1]
    if not now.lines:
        return "No line is on record"
    said = f"{percent(now.in_supply, now.lines)} of lines are in supply today"
    month, before = next(((month, cell) for month, cell in reversed(series[:-1]) if cell.lines), (None, now))
    if month is None:
        return said
    points = now.in_supply / now.lines * 100 - before.in_supply / before.lines * 100
    if abs(points) < 0.05:
        return f"{said}, as at the end of {month_words(month)}"
    more = "more" if points > 0 else "less"
    return f"{said}, {abs(points):.1f} points {more} than at the end of {month_words(month)}"


def _overdue(series: Series) -> str:
    late = series[-1][1].days_overdue
    if not late:
        return "No line is overdue today"
    half, most = quantile(late, 0.5) or 0, quantile(late, 0.9) or 0
    lines = counted(sum(late.values()), "overdue line")
    return f"Of {lines}, half are up to {counted(half, 'day')} late, nine in ten up to {counted(most, 'day')}"


def _questions(series: Series) -> str:
    names = ("asked", "answered", "yes", "dispensed")
    asked, answered, yes, given = (sum(getattr(cell, name) for _, cell in series) for name in names)
    if not asked:
        return "No refill question went out in these months"
    asked_words = counted(asked, "question")
    return f"Of {asked_words}, {answered:,} were answered, {yes:,} with a yes; {given:,} led to parts"


def _waits(series: Series) -> str:
    for month, cell in reversed(series):
        if cell.waits:
            half, most = (counted(quantile(cell.waits, part) or 0, "day") for part in (0.5, 0.9))
            parts = f"In {month_words(month)} half of the parts went out"
            return f"{parts} within {half} of the yes, nine in ten within {most}"
    return "No part was given from a recorded yes in these months"


def _failures(series: Series) -> str:
    sent, failed = (sum(getattr(cell, name) for _, cell in series) for name in ("sent", "failed"))
    if not sent + failed:
        return "No message went out in these months"
    if not failed:
        return f"All {counted(sent, 'message')} of these months could be sent"
    of = counted(sent + failed, "message")
    return f"{failed:,} of {of} could not be sent: {percent(failed, sent + failed)}"


def _cleaning(series: Series) -> str:
    now = series[-1][1]
    if not now.may_tick:
        return "Nobody has a link to the own page"
    return f"{now.ticked:,} of {counted(now.may_tick, 'patient')} with an own page ticked cleaning this month"


MEASURES = (
    Measure(
        slug="in_supply",
        name="Lines in supply",
        means=_SUPPLY,
        unit="%",
        head=("Lines", "In supply", "Share"),
        value=lambda cell: share(cell.in_supply, cell.lines),
        cells=lambda cell: _of(cell.in_supply, cell.lines) if cell.lines else _UNKNOWN,
        finding=_supply,
    ),
    Measure(
        slug="days_overdue",
        name="Days overdue",
        means=_OVERDUE,
        unit="days",
        head=("Overdue lines", "Median days", "9 in 10 within"),
        value=lambda cell: quantile(cell.days_overdue, 0.5),
        mark=lambda cell: quantile(cell.days_overdue, 0.9),
        mark_is="median; stroke: what nine in ten do not exceed",
        cells=lambda cell: _spread(cell.days_overdue) if cell.lines else _UNKNOWN,
        finding=_overdue,
    ),
    Measure(
        slug="questions",
        name="From question to part",
        means=_QUESTIONS,
        unit="%",
        head=("Asked", "Answered", "Yes", "Led to parts", "Share of asked"),
        value=lambda cell: share(cell.dispensed, cell.asked),
        mark=lambda cell: share(cell.answered, cell.asked),
        mark_is="questions that led to parts; stroke: answered",
        cells=lambda cell: (
            *(f"{number:,}" for number in (cell.asked, cell.answered, cell.yes, cell.dispensed)),
            percent(cell.dispensed, cell.asked),
        ),
        finding=_questions,
    ),
    Measure(
        slug="yes_to_part",
        name="From yes to part",
        means=_WAITS,
        unit="days",
        head=("Parts", "Median days", "9 in 10 within"),
        value=lambda cell: quantile(cell.waits, 0.5),
        mark=lambda cell: quantile(cell.waits, 0.9),
        mark_is="median; stroke: what nine in ten do not exceed",
        cells=lambda cell: _spread(cell.waits),
        finding=_waits,
    ),
    Measure(
        slug="failures",
        name="Messages that failed",
        means=_FAILURES,
        unit="%",
        head=("Left the queue", "Failed", "Share"),
        value=lambda cell: share(cell.failed, cell.sent + cell.failed),
        cells=lambda cell: _of(cell.failed, cell.sent + cell.failed),
        finding=_failures,
    ),
    Measure(
        slug="cleaning",
        name="Cleaning ticked",
        means=_CLEANING,
        unit="%",
        head=("With an own page", "Ticked", "Share"),
        value=lambda cell: share(cell.ticked, cell.may_tick),
        cells=lambda cell: _of(cell.ticked, cell.may_tick),
        finding=_cleaning,
    ),
)
