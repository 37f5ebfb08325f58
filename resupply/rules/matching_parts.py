"""What a matching table is made of: styles, questions, gates and rules; and the fault of one that is no use.

A gate or rule has a condition: every question it names must be answered with one of the values given, or with
a number of at least so much. A rule has an effect on the styles it names, a source, and a mark that says how
far the source was read: P read there, P2 read where it is reported, M from memory, CP common practice,
D ours.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

MARKS = frozenset({"P", "P2", "M", "CP", "D"})
KINDS = frozenset({"one", "many", "number"})
HEAVIEST = 9


class Effect(StrEnum):
    """What a rule does to the styles it names."""

    FOR = "for"
    AGAINST = "against"
    WATCH = "watch"
    NOT_NOW = "not_now"
    RULED_OUT = "ruled_out"
    REFER = "refer"


WEIGHED = frozenset({Effect.FOR, Effect.AGAINST})
"""Effects that have a weight."""


@dataclass(frozen=True, slots=True)
class Style:
    """A mask style."""

    id: str
    name: str
    about: str


@dataclass(frozen=True, slots=True)
class Question:
    """A question: `kind` is "one" or "many" of the values (value, words), or a "number" within bounds."""

    id: str
    text: str
    kind: str
    values: tuple[tuple[str, str], ...] = ()
    unit: str = ""
    least: int = 0
    most: int = 0


Wanted = tuple[str, ...] | Mapping[str, int | float]
"""What a question must be answered with: one of these values, or a number of `at_least` so much."""
Condition = Mapping[str, Wanted]


@dataclass(frozen=True, slots=True)
class Rule:
    """One row of the table; `styles` is empty where it refers."""

    id: str
    when: Condition
    styles: tuple[str, ...]
    effect: Effect
    text: str
    mark: str
    source: str
    weight: int = 0
    watch: str = ""


@dataclass(frozen=True, slots=True)
class Gate:
    """Styles that come after the others unless one of the conditions holds."""

    styles: tuple[str, ...]
    unless: tuple[Condition, ...]
    text: str
    mark: str
    source: str


@dataclass(frozen=True, slots=True)
class Table:
    """Styles in their own order, questions, gates and rules; a score from `suits_from` on suits."""

    styles: tuple[Style, ...]
    questions: tuple[Question, ...]
    gates: tuple[Gate, ...]
    rules: tuple[Rule, ...]
    suits_from: int


SORTS: Mapping[str, type] = {"style": Style, "question": Question, "gate": Gate, "rule": Rule}


class BadTableError(ValueError):
    """A table that cannot be used: which row of which sort (from 0), which field, and what would do.

    `line` counts from 1; None where it is not known. Read as text it says all of that.
    """

    def __init__(self, says: str, sort: str = "", place: int = 0, field: str = "", told: str = "") -> None:
        super().__init__(says)
        self.says, self.sort, self.place, self.field, self.told = says, sort, place, field, told
        self.line: int | None = None

    def __str__(self) -> str:
        begins = (f"Line {self.line}" if self.line else "", self.told)
        told = ", ".join(filter(None, begins))
        return f"{told}: {self.says}" if told else self.says


def told(sort: str, id: object) -> str:
    """A row as it is named to people."""
    return f"[[{sort}]] {id[:60]}" if isinstance(id, str) else f"[[{sort}]]"
