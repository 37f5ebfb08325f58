"""Therapy pauses: days on which nothing wears.

A pause is `[start, until)`. One that starts after `as_of` is not known yet; one without an end counts up to
`as_of`, one whose end lies ahead counts up to that end. Pauses that overlap count once. Source: ours.
"""

from collections.abc import Sequence
from datetime import date, timedelta
from typing import NamedTuple

from resupply.rules.facts import Pause
from resupply.rules.periods import add_days


class Span(NamedTuple):
    """Days `[start, until)`."""

    start: date
    until: date


def spans(pauses: Sequence[Pause], *, as_of: date) -> tuple[Span, ...]:
    """The paused days known on `as_of`, as separate spans in order."""
    known = sorted((p.start, as_of if p.until is None else p.until) for p in pauses if p.start <= as_of)
    merged: list[Span] = []
    for start, until in known:
        if until <= start:
            continue
        if merged and start <= merged[-1].until:
            merged[-1] = Span(merged[-1].start, max(merged[-1].until, until))
        else:
            merged.append(Span(start, until))
    return tuple(merged)


class SourcedSpan(NamedTuple):
    """A span of paused days with the records of the pauses that begin and end it."""

    span: Span
    begun_by: str
    ended_by: str


def sourced_spans(pauses: Sequence[Pause], *, as_of: date) -> tuple[SourcedSpan, ...]:
    """The spans of `spans`, each with its records, for explanations."""
    counted = [p for p in pauses if p.start <= as_of and p.start < (p.until or as_of)]
    return tuple(
        SourcedSpan(
            span,
            next(p.ref for p in counted if p.start == span.start),
            next(p.ref for p in counted if (p.until or as_of) == span.until),
        )
        for span in spans(pauses, as_of=as_of)
    )


def pause_on(pauses: Sequence[Pause], *, as_of: date) -> tuple[date | None, date | None]:
    """Start and end of the pause that `as_of` lies in (None, None: in none; an end of None: still open)."""
    known = sorted((p.start, p.until or date.max) for p in pauses if p.start <= as_of)
    start: date | None = None
    until = date.min
    for p_start, p_until in known:
        if start is None or p_start > until:
            start, until = p_start, p_until
        else:
            until = max(until, p_until)
    if start is None or until <= as_of:
        return None, None
    return start, None if until == date.max else until


def shifted(start: date, day: date, paused: Sequence[Span]) -> tuple[date, int]:
    """`day` moved on by the paused days in `[start, the result)`, and their number.

    >>> shifted(date(2026, 1, 1), date(2026, 2, 1), [Span(date(2026, 1, 10), date(2026, 1, 24))])
    (datetime.date(2026, 2, 15), 14)
    """
    total = 0
    for span in paused:
        if span.until <= start:
            continue
        if span.start >= day:
            break
        days = (span.until - max(span.start, start)).days
        total += days
        try:
            day += timedelta(days=days)
        except OverflowError:
            return add_days(day, days), total
    return day, total
