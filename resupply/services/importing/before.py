"""What an import found and changed: kept with its batch, given back by an undo.

Each entry is a JSON object: {"model": "patient" or "payer", "id", "fields": {name: [old, new]}} for a row it
changed, {"model": "event" or "coverage", "id"} for a record it voided because it brought a better one.
"""

from collections.abc import Iterable, Mapping
from datetime import date
from typing import NotRequired, TypedDict

from django.db.models import Model

Value = str | int | None


class Before(TypedDict):
    """One entry."""

    model: str
    id: int
    fields: NotRequired[dict[str, list[Value]]]


def changed(model: str, pk: int, fields: Mapping[str, tuple[object, object]]) -> Before:
    """The former and the new values of a row's fields."""
    return {
        "model": model,
        "id": pk,
        "fields": {name: [as_json(old), as_json(new)] for name, (old, new) in fields.items()},
    }


def replaced(model: str, ids: Iterable[int]) -> list[Before]:
    """Records that were voided because the import brought a better one."""
    return [{"model": model, "id": pk} for pk in ids]


def as_json(value: object) -> Value:
    """A field's value as JSON holds it: dates as YYYY-MM-DD, other rows by their number."""
    if isinstance(value, Model):
        return int(value.pk)
    if isinstance(value, date):
        return value.isoformat()
    return value if isinstance(value, str | int) or value is None else str(value)
