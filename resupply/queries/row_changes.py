"""Who changed what of one record, from its change history: newest first, field by field."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.apps import apps
from django.contrib.auth import get_user_model
from django.db.models import Model

from resupply.queries.names import staff_name


@dataclass(frozen=True, slots=True)
class FieldChange:
    """A field before and after, as stored."""

    name: str
    before: object
    after: object


@dataclass(frozen=True, slots=True)
class Change:
    """One writing of a record: when, by whom (empty: by the program), whether it came to be, and what it
    changed.
    """

    at: datetime
    by: str
    is_new: bool
    fields: list[FieldChange]


def changes_of(record: Model, names: Sequence[str], *, at_most: int = 50) -> list[Change]:
    """The changes of these fields of a tracked record. Two queries, whatever their number."""
    log: type[Model] = apps.get_model(record._meta.app_label, f"{type(record).__name__}Change")
    rows: Any = log._default_manager.filter(pgh_obj=record.pk).select_related("pgh_context")
    newest: list[Any] = list(rows.order_by("-pgh_id")[: at_most + 1])
    people = get_user_model().objects.in_bulk({who for row in newest if (who := _user_id(row))})
    return [
        Change(
            row.pgh_created_at,
            staff_name(people.get(_user_id(row) or 0)),
            before is None,
            list(_differences(before, row, names)) if before else [],
        )
        for row, before in zip(newest[:at_most], [*newest[1:], None], strict=False)
        if before is None or list(_differences(before, row, names))
    ]


def _user_id(row: Any) -> int | None:
    """Who wrote a row of the log, by the context it was written in."""
    context = row.pgh_context
    return context.metadata.get("user") if context else None


def _differences(before: Any, after: Any, names: Sequence[str]) -> Iterator[FieldChange]:
    for name in names:
        old, new = getattr(before, name), getattr(after, name)
        if old != new:
            yield FieldChange(name, old, new)
