"""How values stand in a packet's document: JSON's own kinds, days and moments in ISO form."""

import json
from collections.abc import Mapping
from datetime import UTC, date, datetime
from decimal import Decimal

from django.db.models import Model

Json = dict[str, object]


def plain(value: object) -> object:
    """A value as JSON takes it: moments in UTC, decimals as they were typed."""
    if isinstance(value, datetime):
        return moment(value)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Decimal):
        return str(value)
    if isinstance(value, list | tuple):
        return [plain(inner) for inner in value]
    if isinstance(value, Mapping):
        return {str(key): plain(inner) for key, inner in value.items()}
    if value is None or isinstance(value, bool | int | float | str):
        return value
    return str(value)


def moment(value: datetime) -> str:
    """A moment in UTC, to the microsecond: `2026-03-18T15:00:00.000000Z`."""
    return value.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def record_name(record: Model) -> str:
    """How a packet names a record: `dispense line 14`."""
    return f"{record._meta.verbose_name} {record.pk}"


def fields(record: Model, *names: str) -> Json:
    """The record's name and some of its fields, by their names."""
    return {"record": record_name(record)} | {name: plain(getattr(record, name)) for name in names}


def canonical(document: Json) -> bytes:
    """A document as bytes: UTF-8, keys in order, two spaces; the same document gives the same bytes."""
    text = json.dumps(document, ensure_ascii=False, sort_keys=True, indent=2, allow_nan=False)
    return text.encode() + b"\n"


class Names:
    """Names of staff by user number, remembering which were asked for."""

    def __init__(self, known: Mapping[str, str]) -> None:
        self._known = known
        self.used: dict[str, str] = {}

    def __call__(self, user_id: int | None) -> str | None:
        """The name; None where the program itself, or the patient, recorded something."""
        if user_id is None:
            return None
        key = str(user_id)
        self.used[key] = self._known.get(key, f"user {key}")
        return self.used[key]
