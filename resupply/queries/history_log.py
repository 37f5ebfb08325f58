"""What a manager looks for in history: who saw records, and who changed what; the newest first, by keyset.

A patient's changes come from the history of every record that leads to the patient. Without a patient,
changes are listed by request: who, when, at which address, and what it wrote.
"""

from collections import defaultdict
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import cache
from typing import Any
from uuid import UUID

import pghistory.models
from django.apps import apps
from django.contrib.auth import get_user_model
from django.db import models
from django.db.models import F, Q, QuerySet, Value
from django.db.models.fields.json import KeyTextTransform
from django.db.models.fields.tuple_lookups import TupleLessThan

from resupply.models import HistoryContext, Patient, PatientRead
from resupply.queries.names import staff_name

Place = tuple[datetime, str]
"""Where a page ends: the moment of its last row and that row's key."""

_TO_THE_PATIENT = ("patient", "dispense", "order", "answer", "fitting", "question")


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is looked for: of a patient, by a person, from a moment (closed) to another (open).

    `among`: where no patient is named, ids of the users whose doings may be seen at all (None: everybody's,
    and what programs, patients and the program itself did). `emergency`: where changes of a patient are asked
    for, those made under the emergency access of this number alone.
    """

    patient: Patient | None = None
    user_id: int | None = None
    since: datetime | None = None
    until: datetime | None = None
    among: Collection[int] | None = None
    emergency: int | None = None


@dataclass(frozen=True, slots=True)
class Seen:
    """One row of the read log: its moment, and its key where the list goes on."""

    row: PatientRead
    at: datetime
    key: str


@dataclass(slots=True)
class Changed:
    """One change of a record of a patient, or all that one request wrote: (record, what was done, how
    many).
    """

    at: datetime
    key: str
    user_id: int | None
    address: str
    what: list[tuple[str, str, int]] = field(default_factory=list)


def seen(wanted: Wanted, *, before: Place | None, at_most: int) -> list[Seen]:
    """Rows of the read log. One query."""
    rows = PatientRead.objects.select_related("user", "integration")
    if wanted.patient is not None:
        rows = rows.filter(patients__contains=[wanted.patient.pk])
    if wanted.user_id is not None:
        rows = rows.filter(user=wanted.user_id)
    if wanted.among is not None:
        rows = rows.filter(user__in=wanted.among)
    rows = _between(rows, "at", wanted)
    if before is not None:
        pk = int(before[1]) if before[1].isdecimal() else 0
        rows = rows.filter(TupleLessThan((F("at"), F("pk")), (before[0], pk)))
    return [Seen(row, row.at, str(row.pk)) for row in rows.order_by("-at", "-pk")[:at_most]]


def changed(wanted: Wanted, *, before: Place | None, at_most: int) -> list[Changed]:
    """Changes of a patient's records, by one query, or requests that changed something, by two."""
    if wanted.patient is not None:
        return _of_patient(wanted.patient, wanted, before, at_most)
    return _by_request(wanted, before, at_most)


def everything(wanted: Wanted, *, is_seen: bool, page: int = 500) -> Iterator[Seen | Changed]:
    """All rows, read a page at a time."""
    before: Place | None = None
    while True:
        rows: Sequence[Seen | Changed] = (seen if is_seen else changed)(wanted, before=before, at_most=page)
        yield from rows
        if len(rows) < page:
            return
        before = rows[-1].at, rows[-1].key


def names_of(user_ids: Collection[int | None]) -> dict[int | None, str]:
    """Names of users for lists. One query."""
    users = get_user_model().objects.filter(pk__in=[pk for pk in user_ids if pk is not None])
    return {user.pk: staff_name(user) for user in users}


def _of_patient(patient: Patient, wanted: Wanted, before: Place | None, at_most: int) -> list[Changed]:
    """Ordered by moment, place of the model among its kind, and number: one transaction writes many at one
    moment.
    """
    parts = []
    for place, (changes, path) in enumerate(_leading_to_patients()):
        about = Q(pgh_obj_id=patient.pk)
        if path:
            owners = changes._meta.get_field("pgh_obj").related_model
            assert isinstance(owners, type)  # noqa: S101 - a model
            about = Q(pgh_obj_id__in=owners._default_manager.filter(**{path: patient.pk}).values("pk"))
        rows = _between(changes._default_manager.filter(about), "pgh_created_at", wanted)
        rows = rows.annotate(pgh_who=KeyTextTransform("user", "pgh_context__metadata"))
        if wanted.user_id is not None:
            rows = rows.filter(pgh_who=str(wanted.user_id))
        if wanted.emergency is not None:
            rows = rows.filter(pgh_context__metadata__emergency=wanted.emergency)
        if before is not None:
            rows = rows.filter(_earlier(before, place))
        parts.append(_columns(rows, changes, place).order_by("-pgh_created_at", "-pgh_id")[:at_most])
    found = parts[0].union(*parts[1:], all=True).order_by("-pgh_created_at", "-pgh_place", "-pgh_id")
    return [_changed(row) for row in found[:at_most]]


def _earlier(before: Place, place: int) -> Q:
    """Rows of the model at a place that come after a row in the list."""
    first, _, last = before[1].partition(".")
    its_place, its_number = (int(part) if part.isdecimal() else 0 for part in (first, last))
    same_moment = {"pgh_created_at": before[0]}
    if place == its_place:
        return Q(pgh_created_at__lt=before[0]) | Q(pgh_id__lt=its_number, **same_moment)
    return Q(pgh_created_at__lt=before[0]) | (Q(**same_moment) if place < its_place else Q(pk__in=[]))


def _columns(rows: "QuerySet[Any]", changes: type[models.Model], place: int) -> "QuerySet[Any]":
    annotated: QuerySet[Any] = rows.annotate(
        pgh_noun=Value(_noun(changes), output_field=models.CharField()),
        pgh_place=Value(place, output_field=models.IntegerField()),
        pgh_address=KeyTextTransform("url", "pgh_context__metadata"),
    )
    return annotated.values(
        "pgh_created_at", "pgh_noun", "pgh_place", "pgh_id", "pgh_label", "pgh_who", "pgh_address"
    )


def _changed(row: dict[str, Any]) -> Changed:
    who = int(row["pgh_who"]) if row["pgh_who"] and row["pgh_who"].isdecimal() else None
    key = f"{row['pgh_place']}.{row['pgh_id']}"
    return Changed(
        row["pgh_created_at"], key, who, row["pgh_address"] or "", [(row["pgh_noun"], row["pgh_label"], 1)]
    )


def _by_request(wanted: Wanted, before: Place | None, at_most: int) -> list[Changed]:
    rows = HistoryContext.objects.annotate(pgh_who=KeyTextTransform("user", "metadata"))
    if wanted.user_id is not None:
        rows = rows.filter(pgh_who=str(wanted.user_id))
    if wanted.among is not None:
        rows = rows.filter(pgh_who__in=[str(pk) for pk in wanted.among])
    rows = _between(rows, "created_at", wanted)
    if before is not None and (key := _uuid(before[1])) is not None:
        rows = rows.filter(TupleLessThan((F("created_at"), F("pk")), (before[0], key)))
    found: dict[Any, Changed] = {}
    for context in rows.order_by("-created_at", "-pk")[:at_most]:
        who = context.metadata.get("user")
        found[context.pk] = Changed(
            context.created_at,
            str(context.pk),
            who if isinstance(who, int) else None,
            str(context.metadata.get("url", "")),
        )
    for pk, what in _written_in(list(found)).items():
        found[pk].what = what
    return list(found.values())


def _uuid(text: str) -> UUID | None:
    try:
        return UUID(text)
    except ValueError:
        return None


def _written_in(contexts: Sequence[object]) -> dict[object, list[tuple[str, str, int]]]:
    """What requests wrote: by request, (record, what was done, how many)."""
    if not contexts:
        return {}
    parts = []
    for changes in _change_models():
        rows = changes._default_manager.filter(pgh_context__in=contexts).order_by()
        named = rows.annotate(pgh_noun=Value(_noun(changes), output_field=models.CharField()))
        parts.append(
            named.values("pgh_context", "pgh_noun", "pgh_label").annotate(number=models.Count("pgh_id"))
        )
    found: dict[object, list[tuple[str, str, int]]] = defaultdict(list)
    for row in parts[0].union(*parts[1:], all=True).order_by("pgh_noun", "pgh_label"):
        found[row["pgh_context"]].append((row["pgh_noun"], row["pgh_label"], row["number"]))
    return found


@cache
def _change_models() -> tuple[type[models.Model], ...]:
    """The models of changes, by name of table."""
    found = [one for one in apps.get_models() if issubclass(one, pghistory.models.Event)]
    return tuple(sorted(found, key=lambda one: one._meta.db_table))


@cache
def _leading_to_patients() -> tuple[tuple[type[models.Model], str], ...]:
    """Models of changes whose records are a patient's, and the way from the record to the patient."""
    ways = []
    for changes in _change_models():
        owner = changes._meta.get_field("pgh_obj").related_model
        if owner is Patient:
            ways.append((changes, ""))
            continue
        assert isinstance(owner, type)  # noqa: S101 - a model
        names = {one.name for one in owner._meta.concrete_fields if one.is_relation}
        first = next((name for name in _TO_THE_PATIENT if name in names), None)
        if first is not None:
            ways.append((changes, first if first == "patient" else f"{first}__patient"))
    return tuple(ways)


def _noun(changes: type[models.Model]) -> str:
    owner = changes._meta.get_field("pgh_obj").related_model
    return str(owner._meta.verbose_name) if isinstance(owner, type) else changes._meta.db_table


def _between(rows: "QuerySet[Any]", column: str, wanted: Wanted) -> "QuerySet[Any]":
    if wanted.since is not None:
        rows = rows.filter(**{f"{column}__gte": wanted.since})
    if wanted.until is not None:
        rows = rows.filter(**{f"{column}__lt": wanted.until})
    return rows
