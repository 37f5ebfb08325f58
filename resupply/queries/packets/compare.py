"""What differs: between a packet's document and one built again, and between records and their history."""

from collections.abc import Iterator
from dataclasses import dataclass

from django.db.models import Model

from resupply.models import (
    CatalogueItem,
    Dispense,
    Fitting,
    Location,
    Patient,
    Payer,
    QuestionPart,
    RefillAnswer,
    RefillQuestion,
    Voidable,
)
from resupply.queries.as_known import changes_of, records
from resupply.queries.packets.gather import Records
from resupply.queries.packets.said import Json, record_name
from resupply.queries.packets.trail import tracked_records

MOST_NAMED = 50
"""Differences named one by one; more of them say no more."""
_EDITED = (Patient, Location, Payer, CatalogueItem, Fitting, RefillQuestion, QuestionPart)
"""Models whose rows the program edits: their history says what they were, and may go on."""
_MAY_CHANGE: dict[type[Model], set[str]] = {
    Dispense: {"parcel", "parcel_on"},
    RefillAnswer: {"handled_at", "handled_by_id", "handled_note", "needs_person"},
}
_VOID = {"voided_at", "voided_by_id", "void_reason", "import_key"}


@dataclass(frozen=True, slots=True)
class Difference:
    """One difference. `why`: `document` (the section built again differs), `edited` (a ledger record says
    something else than when the packet was made), `unrecorded` (a row is not what its own history says),
    `gone` (the row is not there any more).
    """

    why: str
    section: str
    record: str
    field: str


def differences(kept: Json, rebuilt: Json) -> list[Difference]:
    """Where a document built again differs from the one that was handed out."""
    found = []
    for section in sorted(kept.keys() | rebuilt.keys()):
        for record, path in _paths(kept.get(section), rebuilt.get(section), section, ""):
            found.append(Difference("document", section, record, path))
            if len(found) == MOST_NAMED:
                return found
    return found


def touched_since(found: Records) -> list[Difference]:
    """Records that were changed as the program changes none: a ledger's content, or past the history.

    The document is built from the history, so a record that was changed behind the program's back shows here.
    """
    differing = []
    for then in tracked_records(found):
        model = type(then)
        live = model._default_manager.filter(pk=then.pk).first()
        if live is None:
            differing.append(Difference("gone", str(model._meta.verbose_name), record_name(then), ""))
            continue
        newest = records(
            model._default_manager.filter(pk=then.pk), {changes_of(model)._meta.db_table: 2**62}
        )[0]
        differing += [
            Difference("unrecorded", str(model._meta.verbose_name), record_name(then), name)
            for name in _unlike(live, newest)
        ]
        if model not in _EDITED:
            may = _MAY_CHANGE.get(model, set()) | (_VOID if issubclass(model, Voidable) else set())
            differing += [
                Difference("edited", str(model._meta.verbose_name), record_name(then), name)
                for name in _unlike(live, then)
                if name not in may
            ]
    return sorted(set(differing), key=lambda row: (row.record, row.field, row.why))


def _unlike(one: Model, other: Model) -> list[str]:
    """Columns in which two copies of a row differ."""
    return [
        field.attname
        for field in one._meta.concrete_fields
        if getattr(one, field.attname) != getattr(other, field.attname)
    ]


def _paths(one: object, other: object, record: str, path: str) -> Iterator[tuple[str, str]]:
    """The innermost record and the path below it of every value that differs."""
    if isinstance(one, dict) and isinstance(other, dict):
        name = one.get("record") or other.get("record")
        if isinstance(name, str):
            record, path = name, ""
        for key in sorted(one.keys() | other.keys()):
            yield from _paths(one.get(key), other.get(key), record, f"{path}.{key}".lstrip("."))
    elif isinstance(one, list) and isinstance(other, list):
        for place in range(max(len(one), len(other))):
            pair = [rows[place] if place < len(rows) else None for rows in (one, other)]
            yield from _paths(pair[0], pair[1], record, f"{path}[{place}]")
    elif one != other or type(one) is not type(other):
        yield record, path
