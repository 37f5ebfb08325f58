"""The change history of a packet's records: every entry up to its marks, with what it changed."""

from collections.abc import Iterator, Sequence

from django.db.models import Model

from resupply.queries.as_known import Change, history
from resupply.queries.packets.gather import Records
from resupply.queries.packets.rules_in_force import version_records
from resupply.queries.packets.said import Json, Names, moment, plain

_UNSAID = {
    *("id", "public_id", "form_key", "import_key", "batch_id", "created_at"),
    *("cleaning_weekday", "cleaning_month_day", "cleaning_hour", "email", "phone", "language"),
}
"""Columns that say nothing about a dispense: keys of the program, how a patient cleans and is reached."""


def tracked_records(found: Records) -> list[Model]:
    """Every record with a history that the packet rests on, in a fixed order."""
    single = [found.dispense, found.patient, found.location, found.proof, found.order, found.device]
    several: list[Sequence[Model]] = [
        *(found.lines, found.order_items, [found.fitting] if found.fitting else [], found.tries),
        *(list(found.items.values()), found.questions, found.parts, found.answers, found.answer_items),
        *(found.earlier, [found.given_before[line.dispense_id] for line in found.earlier], found.events),
        *(found.coverages, list(found.payers.values()), version_records(found), found.reevaluations),
    ]
    rows: list[Model] = [record for record in single if record is not None]
    rows += [record for group in several for record in group]
    unique = {(record._meta.label, record.pk): record for record in rows}
    return [unique[key] for key in sorted(unique)]


def trail(found: Records, names: Names) -> list[Json]:
    """The entries of all these records, in the order of record and time."""
    return [entry for model, ids in _by_model(found) for entry in _entries(model, ids, found, names)]


def numbers(found: Records) -> Json:
    """Which entry of its history each record was read from: `{"dispense line 14": 32}`."""
    shown: Json = {}
    for model, ids in _by_model(found):
        for pk, changes in history(model, ids, found.marks).items():
            shown[f"{model._meta.verbose_name} {pk}"] = changes[-1].number
    return shown


def _by_model(found: Records) -> list[tuple[type[Model], list[int]]]:
    grouped: dict[str, tuple[type[Model], list[int]]] = {}
    for record in tracked_records(found):
        grouped.setdefault(record._meta.label, (type(record), []))[1].append(record.pk)
    return [grouped[label] for label in sorted(grouped)]


def _entries(model: type[Model], ids: list[int], found: Records, names: Names) -> Iterator[Json]:
    for pk, changes in history(model, ids, found.marks).items():
        before: Change | None = None
        for change in changes:
            yield {
                "record": f"{model._meta.verbose_name} {pk}",
                "entry": change.number,
                "at": moment(change.at),
                "by": names(change.user_id),
                "what": "recorded" if before is None else "changed",
                "changed": _changed(before, change),
            }
            before = change


def _changed(before: Change | None, change: Change) -> Json:
    """What an entry changed: column -> [before, after]; nothing for the first."""
    if before is None:
        return {}
    return {
        column: [plain(before.values[column]), plain(value)]
        for column, value in change.values.items()
        if value != before.values[column] and column not in _UNSAID
    }
