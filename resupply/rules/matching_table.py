"""The table that matching works from: styles, questions, gates and rules, read from TOML and checked.

A clinic may keep a version of its own. A version is taken only if every row can be used:
`BadTableError` names the row, what is wrong with it and what would do.
"""

import tomllib
from collections.abc import Collection, Mapping
from dataclasses import MISSING, dataclass, fields
from enum import StrEnum
from functools import lru_cache
from pathlib import Path
from typing import Any

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


Condition = Mapping[str, Collection[str] | Mapping[str, Any]]


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


class BadTableError(ValueError):
    """A table that cannot be used; the message says which row and why."""


@lru_cache(maxsize=1)
def shipped() -> Table:
    """The table shipped with the program."""
    return read_table(shipped_text())


def shipped_text() -> str:
    """The shipped table as it is written."""
    return Path(__file__).with_name("matching.toml").read_text(encoding="utf-8")


def read_table(text: str) -> Table:
    """A table from TOML. Raises BadTableError."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        raise BadTableError(f"This is no TOML: {fault}.") from fault
    styles = tuple(Style(**_fields(row, "style", Style)) for row in _rows(data, "style"))
    questions = tuple(_question(row) for row in _rows(data, "question"))
    gates = tuple(_gate(row) for row in _rows(data, "gate"))
    rules = tuple(_rule(row) for row in _rows(data, "rule"))
    suits_from = data.get("suits_from", 1)
    if not isinstance(suits_from, int):
        raise BadTableError("suits_from: write a whole number.")
    table = Table(styles, questions, gates, rules, suits_from)
    _check(table)
    return table


def _rows(data: Mapping[str, Any], name: str) -> list[dict[str, Any]]:
    rows = data.get(name, [])
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise BadTableError(f"{name}: write each row as [[{name}]].")
    return rows


def _fields(row: dict[str, Any], name: str, kind: type) -> dict[str, Any]:
    """The row's fields, all of them known and the needed ones there."""
    known = {field.name: field for field in fields(kind)}
    told = f"[[{name}]] {row.get('id', '')}".strip()
    for field_name in row:
        if field_name not in known:
            raise BadTableError(f"{told}: “{field_name}” is no field of it.")
    for field_name, field in known.items():
        if field_name not in row and field.default is MISSING:
            raise BadTableError(f"{told}: “{field_name}” is missing.")
    return row


def _question(row: dict[str, Any]) -> Question:
    row = _fields(row, "question", Question)
    try:
        values = tuple((str(value), str(words)) for value, words in row.get("values", ()))
    except (TypeError, ValueError) as fault:
        raise BadTableError(f"[[question]] {row['id']}: write values as pairs of value and words.") from fault
    return Question(**{**row, "values": values})


def _gate(row: dict[str, Any]) -> Gate:
    row = _fields(row, "gate", Gate)
    return Gate(**{**row, "styles": tuple(row["styles"]), "unless": tuple(row["unless"])})


def _rule(row: dict[str, Any]) -> Rule:
    row = _fields(row, "rule", Rule)
    try:
        effect = Effect(row["effect"])
    except ValueError as fault:
        raise BadTableError(f"[[rule]] {row['id']}: the effect is one of {', '.join(Effect)}.") from fault
    return Rule(**{**row, "styles": tuple(row["styles"]), "effect": effect})


def _check(table: Table) -> None:
    """Refuse a table whose rows do not fit each other."""
    for name, ids in (
        ("style", [style.id for style in table.styles]),
        ("question", [question.id for question in table.questions]),
        ("rule", [rule.id for rule in table.rules]),
    ):
        if twice := next((id for id in ids if ids.count(id) > 1), None):
            raise BadTableError(f"[[{name}]] {twice} is there twice.")
    if not table.styles:
        raise BadTableError("A table needs at least one [[style]].")
    for question in table.questions:
        _check_question(question)
    known = {style.id for style in table.styles}
    for gate in table.gates:
        _check_row("[[gate]]", gate.styles, gate.mark, gate.source, known)
        for condition in gate.unless:
            _check_condition("[[gate]]", condition, table)
    for rule in table.rules:
        told = f"[[rule]] {rule.id}"
        _check_row(told, rule.styles, rule.mark, rule.source, known)
        _check_condition(told, rule.when, table)
        weighs = rule.effect in {Effect.FOR, Effect.AGAINST}
        if not isinstance(rule.weight, int) or not (
            1 <= rule.weight <= HEAVIEST if weighs else rule.weight == 0
        ):
            raise BadTableError(f"{told}: for and against weigh 1 to {HEAVIEST}, other effects nothing.")
        if bool(rule.styles) == (rule.effect is Effect.REFER):
            raise BadTableError(f"{told}: name the styles it is about; a referral is about none.")


def _check_question(question: Question) -> None:
    told = f"[[question]] {question.id}"
    if question.kind not in KINDS:
        raise BadTableError(f"{told}: the kind is one of {', '.join(sorted(KINDS))}.")
    if question.kind == "number" and not question.least < question.most:
        raise BadTableError(f"{told}: a number needs least and most.")
    if question.kind != "number" and len(question.values) < 2:
        raise BadTableError(f"{told}: give at least two values to choose from.")


def _check_row(told: str, styles: tuple[str, ...], mark: str, source: str, known: Collection[str]) -> None:
    for style in styles:
        if style not in known:
            raise BadTableError(f"{told}: “{style}” is no style of this table.")
    if mark not in MARKS or not source:
        raise BadTableError(f"{told}: give its source and a mark ({', '.join(sorted(MARKS))}).")


def _check_condition(told: str, condition: Condition, table: Table) -> None:
    questions = {question.id: question for question in table.questions}
    for name, wanted in condition.items():
        question = questions.get(name)
        if question is None:
            raise BadTableError(f"{told}: “{name}” is no question of this table.")
        if question.kind == "number":
            if (
                not isinstance(wanted, dict)
                or list(wanted) != ["at_least"]
                or not _is_number(wanted["at_least"])
            ):
                raise BadTableError(f"{told}: write {name} = {{ at_least = a number }}.")
        else:
            values = {value for value, _ in question.values}
            if not isinstance(wanted, list) or not wanted or not set(map(str, wanted)) <= values:
                raise BadTableError(f"{told}: {name} takes {', '.join(sorted(values))}, in a list.")


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
