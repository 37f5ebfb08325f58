"""Records as known at a moment, from change history: one way for all of them.

The moment is not a time of a clock but `Marks`: how far the history of each table had come. Whoever takes
marks holds the locks that the writers of those records need (`services.packets`), so that nothing below a
mark is still under way; a time could not promise that. What was edited in place since (a name, an address),
what was voided since and what was voided then and stands again now all come back as they were.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import TypeVar

from django.db import connection, models
from django.db.models import F, QuerySet

M = TypeVar("M", bound=models.Model)
Marks = Mapping[str, int]
"""Name of a table of changes -> the highest number in it."""


@dataclass(frozen=True, slots=True)
class Change:
    """One entry of the history of a record: its number, when the database wrote it, what stood then by
    column, and who was signed in (None: nobody, such as a worker).
    """

    number: int
    at: datetime
    values: Mapping[str, object]
    user_id: int | None


def take_marks(tracked: Collection[type[models.Model]]) -> dict[str, int]:
    """How far the history of these models has come. One query."""
    tables = sorted(changes_of(model)._meta.db_table for model in tracked)
    parts = (
        f"SELECT '{table}', coalesce(max(pgh_id), 0) FROM {table}"  # noqa: S608 - names of our own tables
        for table in tables
    )
    with connection.cursor() as cursor:
        cursor.execute(" UNION ALL ".join(parts))
        return dict(cursor.fetchall())


def records(rows: "QuerySet[M]", marks: Marks) -> list[M]:
    """These records as they stood at the marks, in the order of their numbers; those recorded later are left
    out. They are read-only copies: saving one would undo what came since. One query.

    `rows` may filter only by what never changes of a record, such as whose it is.
    """
    model = rows.model
    columns = [field.attname for field in model._meta.concrete_fields]
    newest = (
        _until(model, marks)
        .filter(pgh_obj_id__in=rows.order_by().values("pk"))
        .order_by("pgh_obj_id", "-pgh_id")
        .distinct("pgh_obj_id")
    )
    return [model.from_db("default", columns, values) for values in newest.values_list(*columns)]


def standing(rows: "QuerySet[M]", marks: Marks) -> list[M]:
    """Of records that can be voided, those that stood at the marks. One query."""
    return [record for record in records(rows, marks) if getattr(record, "voided_at", None) is None]


def history(model: type[models.Model], ids: Collection[int], marks: Marks) -> dict[int, list[Change]]:
    """The history of records up to the marks, oldest first, by record. One query."""
    columns = [field.attname for field in model._meta.concrete_fields]
    rows = _until(model, marks).filter(pgh_obj_id__in=ids).order_by("pgh_id")
    found: dict[int, list[Change]] = {pk: [] for pk in ids}
    for row in rows.values(
        "pgh_obj_id", "pgh_id", "pgh_created_at", *columns, who=F("pgh_context__metadata")
    ):
        who = row["who"] or {}
        found[row["pgh_obj_id"]].append(
            Change(
                row["pgh_id"],
                row["pgh_created_at"],
                {column: row[column] for column in columns},
                who.get("user") if isinstance(who, dict) else None,
            )
        )
    return found


def changes_of(model: type[models.Model]) -> type[models.Model]:
    """The model of a tracked model's changes. Raises LookupError for one that has no history."""
    found = model._meta.get_field("changes").related_model if _is_tracked(model) else None
    if not isinstance(found, type):
        raise LookupError(f"{model.__name__} has no change history")
    return found


def versions_sql(table: str, changes: str, whose: str) -> str:
    """A table as it stood at a mark, for a FROM clause; the mark is the parameter named like `changes`.

    `whose` is a condition on columns of the table that never change.
    """
    return (
        f"(SELECT DISTINCT ON (pgh_obj_id) * FROM {changes} WHERE pgh_id <= %({changes})s"  # noqa: S608
        f" AND pgh_obj_id IN (SELECT id FROM {table} WHERE {whose}) ORDER BY pgh_obj_id, pgh_id DESC)"
    )


def _until(model: type[models.Model], marks: Marks) -> "QuerySet[models.Model]":
    changes = changes_of(model)
    rows: QuerySet[models.Model] = changes._default_manager.filter(pgh_id__lte=marks[changes._meta.db_table])
    return rows


def _is_tracked(model: type[models.Model]) -> bool:
    return any(field.name == "changes" for field in model._meta.get_fields())
