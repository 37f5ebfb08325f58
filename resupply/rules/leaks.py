"""Whether leak has risen for good since a cushion was put to use: a reason to look at that cushion early.

The rule in plain words. Devices report leak differently and there is no limit that holds for all of them, so
leak is compared with the patient's own first nights on the same cushion. Of the first 14 nights with that
cushion the second highest leak is the mark; where at least 6 of the last 7 nights lie above the mark, and the
typical night (median) has risen by a fifth and by 2 L/min at least, an early look at the cushion is proposed.
Only nights used for 4 hours or more count, and only nights of one leak kind (total, unintentional) are
compared with each other. It proposes nothing else: no pressure, no therapy, no diagnosis.

Why this test: it needs no bell curve and no scale, two odd nights in the baseline do not spoil it, and it can
be said in one sentence. Where nothing has changed and nights are independent, the chance that one look finds
6 of 7 nights above the mark is `false_alarm()`: 99 in 116,280, whatever the distribution (counting the ranks
of 21 exchangeable nights; the theory of exceedances, Gumbel and von Schelling, Ann Math Stat 1950, from
memory). Looking every night raises it, and so do nights that resemble the one before: on simulated nights
(`benchmarks/leaks.py`) up to 5 of 100 cushions that had not changed were proposed within a month, 2 to 20
within three. Where nights vary by 5 L/min, a rise of 10 was found with 53 to 71 of 100 cushions in ten
nights, one of 15 with 86 to 97.

>>> steady, worse = (20.0, 22.0) * 7, (31.0,) * 7
>>> look(steady + worse).found
True
>>> look(steady + steady).found, look(steady).why_not.value
(False, 'too_few_nights')
>>> round(false_alarm() * 100_000)
85
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from math import comb
from statistics import median

BASELINE_NIGHTS, RECENT_NIGHTS, ABOVE, MARK_RANK = 14, 7, 6, 2
LEAST_MINUTES = 240
LEAST_RISE_LPM, LEAST_RISE_SHARE = 2.0, 0.2


class LeakKind(StrEnum):
    """What a device reports as leak."""

    TOTAL = "total"
    UNINTENTIONAL = "unintentional"
    UNKNOWN = "unknown"


class WhyNot(StrEnum):
    """Why no early look is proposed."""

    TOO_FEW_NIGHTS = "too_few_nights"
    NOT_SUSTAINED = "not_sustained"
    TOO_SMALL = "too_small"


@dataclass(frozen=True, slots=True)
class LeakNight:
    """One night: minutes of use and leak in L/min (the same percentile on every night), with its kind."""

    on: date
    minutes: int
    leak_lpm: float
    kind: LeakKind


@dataclass(frozen=True, slots=True)
class Look:
    """What the comparison found; leaks in L/min, None where there are too few nights."""

    found: bool
    why_not: WhyNot | None
    above: int
    mark: float | None
    typical_before: float | None
    typical_now: float | None


def comparable(nights: Sequence[LeakNight], *, since: date, as_of: date) -> list[LeakNight]:
    """The nights a cushion put to use on `since` is judged by, in order: long enough, begun before `as_of`,
    and of the leak kind of the latest of them.
    """
    usable = sorted(
        (night for night in nights if since <= night.on < as_of and night.minutes >= LEAST_MINUTES),
        key=lambda night: night.on,
    )
    return [night for night in usable if night.kind is usable[-1].kind]


def look(leaks: Sequence[float]) -> Look:
    """Compare the last nights with the first, leak by night in L/min in order of nights."""
    if len(leaks) < BASELINE_NIGHTS + RECENT_NIGHTS:
        return Look(False, WhyNot.TOO_FEW_NIGHTS, 0, None, None, None)
    first, last = leaks[:BASELINE_NIGHTS], leaks[-RECENT_NIGHTS:]
    mark = sorted(first)[-MARK_RANK]
    above = sum(leak > mark for leak in last)
    before, now = median(first), median(last)
    why_not = None
    if above < ABOVE:
        why_not = WhyNot.NOT_SUSTAINED
    elif now - before < max(LEAST_RISE_LPM, LEAST_RISE_SHARE * before):
        why_not = WhyNot.TOO_SMALL
    return Look(why_not is None, why_not, above, mark, before, now)


def first_found(leaks: Sequence[float]) -> int | None:
    """How many nights with the cushion it took until a nightly look proposed it; None: it never did."""
    looks = range(BASELINE_NIGHTS + RECENT_NIGHTS, len(leaks) + 1)
    return next((count for count in looks if look(leaks[:count]).found), None)


def false_alarm() -> float:
    """The chance that one look finds enough nights above the mark although nothing changed, nights being
    independent and alike, ties apart. The rise it must have besides only lowers it.
    """
    all_orders = comb(BASELINE_NIGHTS + RECENT_NIGHTS, RECENT_NIGHTS)
    below = BASELINE_NIGHTS - MARK_RANK
    orders = sum(
        comb(above + MARK_RANK - 1, above) * comb(RECENT_NIGHTS - above + below, RECENT_NIGHTS - above)
        for above in range(ABOVE, RECENT_NIGHTS + 1)
    )
    return orders / all_orders
