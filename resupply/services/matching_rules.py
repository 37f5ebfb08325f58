"""The rules of a matching table changed one by one, and the table written again as the TOML it is kept in.

Who edits rules in a form and who edits the text get the same table: styles, questions and gates stay as they
are, and a text whose rules nobody changed stays to the letter.
"""

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import count, takewhile
from typing import Any

import tomli_w

from resupply.rules.matching_parts import WEIGHED
from resupply.rules.matching_table import Condition, Effect, Rule
from resupply.services.matching import check_table


@dataclass(frozen=True, slots=True)
class Said:
    """What a rule says besides its condition; the weight counts where the effect has one."""

    effect: Effect
    styles: tuple[str, ...]
    weight: int
    text: str
    watch: str
    mark: str
    source: str


def said_by(rule: Rule) -> Said:
    """What a rule of a table says."""
    return Said(rule.effect, rule.styles, rule.weight, rule.text, rule.watch, rule.mark, rule.source)


def with_rules(text: str, kept: Mapping[str, Said], added: Iterable[tuple[Condition, Said]] = ()) -> str:
    """A table's text with its rules as `kept` has them by id, one that is missing left out, and more `added`.

    Raises Refused `table`: of the text, or of what it would become, with the row at fault.
    """
    table = check_table(text)
    new = list(added)
    if not new and all(kept.get(rule.id) == said_by(rule) for rule in table.rules):
        return text
    data = tomllib.loads(text)
    rows = [_row(row, kept[row["id"]]) for row in data.get("rule", []) if row["id"] in kept]
    used = {rule.id for rule in table.rules}
    fresh = (name for number in count(1) if (name := f"own_{number}") not in used)
    rows += [_row({"id": next(fresh), "when": _plain(when)}, said) for when, said in new]
    written = _heading(text) + tomli_w.dumps(data | {"rule": rows})
    check_table(written)
    return written


def _row(row: Mapping[str, Any], said: Said) -> dict[str, Any]:
    """A rule as it is written: no weight and nothing to watch where there is none."""
    made: dict[str, Any] = {"id": row["id"], "when": row["when"], "styles": list(said.styles)}
    made |= {"effect": said.effect.value, "text": said.text, "mark": said.mark, "source": said.source}
    if said.effect in WEIGHED:
        made["weight"] = said.weight
    if said.watch:
        made["watch"] = said.watch
    return made


def _plain(condition: Condition) -> dict[str, Any]:
    return {
        name: dict(wanted) if isinstance(wanted, Mapping) else list(wanted)
        for name, wanted in condition.items()
    }


def _heading(text: str) -> str:
    """The remarks a text begins with: they say how to read it."""
    lines = list(takewhile(lambda line: line.startswith("#") or not line.strip(), text.splitlines()))
    return "".join(f"{line}\n" for line in lines)
