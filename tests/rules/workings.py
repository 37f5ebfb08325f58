"""Works an explanation out again from its steps alone, as a person with a calendar would.

Results of steps are never taken from the explanation, except those of facts. Month arithmetic is
python-dateutil's. It reads the JSON form, so what other systems get is what is checked.
"""

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import Any

from dateutil.relativedelta import relativedelta

Value = date | int | str | None
UNITS = {"day": "days", "week": "weeks", "month": "months"}


def work_out(steps: Sequence[Mapping[str, Any]]) -> dict[str, Value]:
    """What every step comes to, by its id; a step may rest on earlier steps only."""
    found: dict[str, Value] = {}
    for step in steps:
        assert step["id"] not in found, f"{step['id']} is written twice"
        args = [found[arg[1:]] if _is_reference(arg) else _value(arg) for arg in step["args"]]
        found[step["id"]] = _value(step["result"]) if step["op"] == "fact" else OPERATIONS[step["op"]](*args)
    return found


def _is_reference(arg: object) -> bool:
    return isinstance(arg, str) and arg.startswith("@")


def _value(plain: object) -> Value:
    """A day from its ISO form; numbers, words and None as they are."""
    assert plain is None or isinstance(plain, int | str)
    if isinstance(plain, str) and len(plain) == 10 and plain[4] == plain[7] == "-":
        return date.fromisoformat(plain)
    return plain


def _add_period(day: date, count: int, unit: str, times: int) -> date:
    try:
        return day + relativedelta(**{UNITS[unit]: count * times})
    except (OverflowError, ValueError):
        return date.max


def _add_days(day: date, days: int) -> date:
    try:
        return day + timedelta(days=days)
    except OverflowError:
        return date.max if days > 0 else date.min


def _periods_to_reach(day: date, count: int, unit: str, goal: date) -> int:
    """One after the other until the goal is reached."""
    times = 1
    while _add_period(day, count, unit, times) < goal:
        times += 1
    return times


def _state(
    as_of: date, paused_from: date | None, paused_until: date | None, ends: date, deliver: date, ask: date
) -> str:
    """The first that holds."""
    if paused_from is not None and paused_from <= as_of and (paused_until is None or as_of < paused_until):
        return "paused"
    if as_of > ends:
        return "overdue"
    if as_of == ends:
        return "due"
    if as_of >= deliver:
        return "deliver"
    return "ask" if as_of >= ask else "in_supply"


OPERATIONS: Mapping[str, Any] = {
    "none": lambda: None,
    "add_period": _add_period,
    "add_days": _add_days,
    "latest": lambda *days: max(days),
    "earliest": lambda *days: min(days),
    "days_between": lambda later, earlier: (later - earlier).days,
    "sum": lambda *numbers: sum(numbers),
    "smallest": lambda *numbers: min(numbers),
    "largest": lambda *numbers: max(numbers),
    "minus": lambda one, other: one - other,
    "times": lambda one, other: one * other,
    "count": lambda *values: len(values),
    "count_after": lambda day, *days: sum(other > day for other in days),
    "count_before": lambda day, *days: sum(other < day for other in days),
    "periods_to_reach": _periods_to_reach,
    "zero_before": lambda day, start, number: 0 if day < start else number,
    "state": _state,
}
