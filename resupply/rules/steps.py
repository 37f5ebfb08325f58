"""Steps: how an explanation is written down, for a person to read and for a program to work out again.

A step has an operation, arguments and a result. An argument `@id` stands for the result of an earlier step;
anything else is a value: a day (ISO), a number, a word, or None. Operations:

- `fact`: something recorded or laid down; the result is the value, `source` says where it stands
- `none`: there is no such date or quantity; `why` says for what reason
- `add_period` day, count, unit, times: the day so many periods later
- `add_days` day, days: the day so many days later
- `latest` days: the latest of them; `earliest` likewise
- `open_from` day, open weekdays (digits, 0 is Monday), days off: the first open day, not before day;
  `open_until` likewise, the last one, not after day
- `days_between` later day, earlier day: the days between
- `sum`, `smallest`, `largest` numbers; `minus` a, b; `times` a, b
- `count` values: how many there are
- `count_after` day, days: how many of the days lie after the first; `count_before` likewise
- `periods_to_reach` day, count, unit, goal: the fewest periods (at least one) from day that reach the goal
- `zero_before` day, from, number: 0 if day lies before from, else the number
- `state` as of, paused from, paused until, supply ends, deliver from, ask from: the first state that holds

Source: ours.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date

Value = date | int | str | None


@dataclass(frozen=True, slots=True)
class Step:
    """One step; `why` is a reason code that screens word, `source` the fact, rule version or publication."""

    id: str
    op: str
    args: tuple[int | str | None, ...]
    result: int | str | None
    why: str
    source: str


@dataclass(frozen=True, slots=True)
class Explanation:
    """The steps of one line in the order worked out; `values` names the step of each date and quantity."""

    steps: tuple[Step, ...]
    values: Mapping[str, str]

    def leading_to(self, value: str) -> tuple[Step, ...]:
        """Only the steps that one date or quantity rests on, in order. Raises KeyError for an unknown one."""
        by_id = {step.id: step for step in self.steps}
        wanted: set[str] = set()
        waiting = [self.values[value]]
        while waiting:
            current = waiting.pop()
            if current not in wanted:
                wanted.add(current)
                waiting += [a[1:] for a in by_id[current].args if isinstance(a, str) and a.startswith("@")]
        return tuple(step for step in self.steps if step.id in wanted)


@dataclass(frozen=True, slots=True)
class Known:
    """A step already written: its reference and what it came to."""

    ref: str
    value: Value


@dataclass(slots=True)
class Notebook:
    """Writes steps, each id once: a step asked for again is the one already there."""

    steps: dict[str, Step] = field(default_factory=dict)
    known: dict[str, Known] = field(default_factory=dict)

    def fact(self, name: str, value: Value, why: str, source: str) -> Known:
        """Something recorded or laid down."""
        return self.write(name, "fact", (), value, why, source)

    def write(
        self, name: str, op: str, args: Iterable[Known | Value], result: Value, why: str, source: str = ""
    ) -> Known:
        """Write a step unless it is there; returns its reference and result."""
        if name not in self.known:
            plain = tuple(arg.ref if isinstance(arg, Known) else _plain(arg) for arg in args)
            self.steps[name] = Step(name, op, plain, _plain(result), why, source)
            self.known[name] = Known(f"@{name}", result)
        return self.known[name]

    def day(self, step: Known) -> date:
        """The result of a step that came to a day."""
        if not isinstance(step.value, date):
            raise TypeError(f"{step.ref} is no day")
        return step.value

    def number(self, step: Known) -> int:
        """The result of a step that came to a number."""
        if not isinstance(step.value, int):
            raise TypeError(f"{step.ref} is no number")
        return step.value


def _plain(value: Value) -> int | str | None:
    return value.isoformat() if isinstance(value, date) else value
