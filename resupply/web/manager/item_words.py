"""The changes of an item in words: each field by the name its form gives it, each value as people read it."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from resupply.queries.row_changes import Change
from resupply.web.manager.catalogue_forms import MAGNET_WORDS, ItemForm
from resupply.web.wording import kind_word

_LABELS = {name: str(field.label) for name, field in ItemForm.base_fields.items()} | {
    "part_code": "Billing code",
    "kind": "Kind",
}


@dataclass(frozen=True, slots=True)
class ChangeWords:
    """One writing: when, by whom, and each field as (name, before, after); none: the item was added."""

    at: datetime
    by: str
    fields: list[tuple[str, str, str]]


def changes_in_words(changes: Iterable[Change], *, styles: Mapping[str, str]) -> list[ChangeWords]:
    """The changes of an item as they are shown, newest first; `styles`: what each is called."""
    return told(changes, _LABELS, lambda name, value: _value(name, value, styles))


def told(
    changes: Iterable[Change], labels: Mapping[str, str], says: Callable[[str, Any], str]
) -> list[ChangeWords]:
    """Changes of any record in words: what its fields are called, and what a value of one says."""
    return [
        ChangeWords(
            change.at,
            change.by or "the program",
            [
                (labels[field.name], says(field.name, field.before), says(field.name, field.after))
                for field in change.fields
            ],
        )
        for change in changes
    ]


def _value(name: str, value: object, styles: Mapping[str, str]) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return ", ".join(str(one) for one in value) or "none"
    if name == "kind":
        return kind_word(str(value))
    if name == "style":
        return styles.get(str(value), str(value)) or "none"
    if name == "magnetic":
        return MAGNET_WORDS.get(str(value), str(value))
    return str(value) or "none"
