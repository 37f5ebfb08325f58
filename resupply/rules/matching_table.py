"""The table that matching works from, read from TOML and checked.

A clinic may keep a version of its own. A version is taken only if every row can be used: of whatever else was
typed, `BadTableError` names the line, the row, what is wrong with it and what would do. Nothing is left
unread: a name that means nothing here is a fault.

>>> try:
...     read_table(shipped_text().replace("suits_from = 1", "suits_form = 1"))
... except BadTableError as fault:
...     print(fault)
Line 11: “suits_form” is no part of a table; it has suits_from, style, question, gate, rule.
"""

import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import MISSING, fields
from functools import lru_cache
from pathlib import Path
from typing import Any

from resupply.rules.matching_checks import check
from resupply.rules.matching_parts import SORTS, Style, told
from resupply.rules.matching_parts import BadTableError as BadTableError
from resupply.rules.matching_parts import Condition as Condition
from resupply.rules.matching_parts import Effect as Effect
from resupply.rules.matching_parts import Gate as Gate
from resupply.rules.matching_parts import Question as Question
from resupply.rules.matching_parts import Rule as Rule
from resupply.rules.matching_parts import Table as Table
from resupply.rules.matching_parts import Wanted as Wanted
from resupply.rules.matching_shapes import Lines, fault_of, is_whole

_NAMES = ("suits_from", *SORTS)


@lru_cache(maxsize=1)
def shipped() -> Table:
    """The table shipped with the program."""
    return read_table(shipped_text())


def shipped_text() -> str:
    """The shipped table as it is written."""
    return Path(__file__).with_name("matching.toml").read_text(encoding="utf-8")


def read_table(text: str) -> Table:
    """A table from TOML. Raises BadTableError, and nothing else."""
    data = _parsed(text)
    try:
        return _table(data)
    except BadTableError as fault:
        fault.line = lines_of(text, data).of(fault.sort, fault.place, fault.field)
        raise


def lines_of(text: str, data: Mapping[str, object]) -> Lines:
    """Where the rows of a text stand that was read as this data."""
    rows = ((name, data.get(name)) for name in SORTS)
    return Lines(text, {name: len(found) for name, found in rows if isinstance(found, list)})


def _parsed(text: str) -> dict[str, object]:
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise BadTableError("Brackets within brackets within brackets: take them apart.") from None
    except ValueError as fault:  # a TOMLDecodeError, or a number with more digits than any number has here
        said, where = str(fault), re.search(r" \(at line (\d+), column (\d+)\)$", str(fault))
        wrong = BadTableError(
            f"This is no TOML: {said.removesuffix(where[0]) if where else said}. Text stands in quotes, a "
            "list in brackets with commas, and every row begins with its [[name]] on a line of its own.",
            told=f"column {where[2]}" if where else "",
        )
        wrong.line = int(where[1]) if where else None
        raise wrong from fault


def _table(data: Mapping[str, object]) -> Table:
    """A table of data whose every part is looked at."""
    if unknown := next((name for name in data if name not in _NAMES), None):
        raise BadTableError(
            f"“{unknown[:60]}” is no part of a table; it has {', '.join(_NAMES)}.", field=unknown
        )
    suits_from = data.get("suits_from", 1)
    if not is_whole(suits_from):
        raise BadTableError("suits_from: write a whole number.", field="suits_from")
    styles = tuple(Style(**row) for row in _rows(data, "style"))
    questions = tuple(_question(row) for row in _rows(data, "question"))
    gates = tuple(_gate(row) for row in _rows(data, "gate"))
    rules = tuple(_rule(place, row) for place, row in enumerate(_rows(data, "rule")))
    table = Table(styles, questions, gates, rules, suits_from)
    check(table)
    return table


def _rows(data: Mapping[str, object], sort: str) -> Iterator[dict[str, Any]]:
    """The rows of a sort: every field known and of its shape, and the needed ones there."""
    rows = data.get(sort, [])
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise BadTableError(f"{sort}: write each row as [[{sort}]].", field=sort)
    known = {field.name: field for field in fields(SORTS[sort])}
    for place, row in enumerate(rows):
        named = told(sort, row.get("id"))
        for name, value in row.items():
            if name not in known:
                raise BadTableError(
                    f"“{name[:60]}” is no field of it; it has {', '.join(known)}.", sort, place, name, named
                )
            if fault := fault_of(name, value):
                raise BadTableError(f"{name}: {fault}.", sort, place, name, named)
        for name, field in known.items():
            if name not in row and field.default is MISSING:
                raise BadTableError(f"“{name}” is missing.", sort, place, told=named)
        yield row


def _question(row: dict[str, Any]) -> Question:
    return Question(**{**row, "values": tuple((value, words) for value, words in row.get("values", ()))})


def _gate(row: dict[str, Any]) -> Gate:
    unless = tuple(map(_condition, row["unless"]))
    return Gate(**{**row, "styles": tuple(row["styles"]), "unless": unless})


def _rule(place: int, row: dict[str, Any]) -> Rule:
    try:
        effect = Effect(row["effect"])
    except ValueError as fault:
        says = f"the effect is one of {', '.join(Effect)}."
        raise BadTableError(says, "rule", place, "effect", told("rule", row["id"])) from fault
    when = _condition(row["when"])
    return Rule(**{**row, "when": when, "styles": tuple(row["styles"]), "effect": effect})


def _condition(row: Mapping[str, Any]) -> Condition:
    """A condition as rules keep it; what it holds is checked with the questions at hand."""
    return {name: tuple(wanted) if isinstance(wanted, list) else wanted for name, wanted in row.items()}
