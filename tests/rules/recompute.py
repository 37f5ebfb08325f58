"""Works an explanation out again from its facts alone, with none of the product's arithmetic.

Month steps come from python-dateutil; everything else is the standard library. A step whose stated result
differs from what its operation gives, or that refers to a later step, is an error.
"""

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import Any

from dateutil.relativedelta import relativedelta

_KEYS = {"day": "days", "week": "weeks", "month": "months"}


def recompute(steps: Sequence[Mapping[str, Any]], values: Mapping[str, str]) -> dict[str, Any]:
    """Every value by name, worked out from the steps (as exported in JSON)."""
    done: dict[str, Any] = {}
    for step in steps:
        args = [done[a[1:]] if isinstance(a, str) and a.startswith("@") else a for a in step["args"]]
        result = step["result"] if step["op"] == "fact" else OPERATIONS[step["op"]](*args)
        assert result == step["result"], f"{step['id']}: {step['op']} gives {result}, not {step['result']}"
        assert step["id"] not in done
        done[step["id"]] = result
    return {name: done[step] for name, step in values.items()}


def _later(day: str, count: int, unit: str, times: int) -> str:
    return (date.fromisoformat(day) + relativedelta(**{_KEYS[unit]: count * times})).isoformat()


def _reach(day: str, count: int, unit: str, goal: str) -> int:
    return next(k for k in range(1, 10_000) if _later(day, count, unit, k) >= goal)


def _open(day: str, weekdays: str, off: Sequence[str], step: int) -> str:
    current = date.fromisoformat(day)
    while str(current.weekday()) not in weekdays or current.isoformat() in off:
        current += timedelta(days=step)
    return current.isoformat()


def _state(as_of: str, paused: str | None, until: str | None, ends: str, deliver: str, ask: str) -> str:
    if paused is not None and paused <= as_of and (until is None or as_of < until):
        return "paused"
    if as_of > ends:
        return "overdue"
    if as_of == ends:
        return "due"
    return "deliver" if as_of >= deliver else "ask" if as_of >= ask else "in_supply"


OPERATIONS: dict[str, Any] = {
    "none": lambda: None,
    "add_period": _later,
    "add_days": lambda day, days: (date.fromisoformat(day) + timedelta(days=days)).isoformat(),
    "latest": lambda *days: max(days),
    "earliest": lambda *days: min(days),
    "open_from": lambda day, weekdays, *off: _open(day, weekdays, off, 1),
    "open_until": lambda day, weekdays, *off: _open(day, weekdays, off, -1),
    "days_between": lambda later, earlier: (date.fromisoformat(later) - date.fromisoformat(earlier)).days,
    "sum": lambda *numbers: sum(numbers),
    "smallest": lambda *numbers: min(numbers),
    "largest": lambda *numbers: max(numbers),
    "minus": lambda a, b: a - b,
    "times": lambda a, b: a * b,
    "count": lambda *values: len(values),
    "count_after": lambda bound, *days: sum(day > bound for day in days),
    "count_before": lambda bound, *days: sum(day < bound for day in days),
    "periods_to_reach": _reach,
    "zero_before": lambda day, first, number: 0 if day < first else number,
    "state": _state,
}
