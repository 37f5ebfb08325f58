"""The records as open tables, in the very columns that an import reads (`services/importing/columns.py`).

Rows are read through a cursor of the server, a batch at a time. What was voided, and patients whose import
was undone, are left out: a table says what is so, not what was once thought. Pieces of history that an import
has no column for stay in the database.
"""

from collections.abc import Callable, Iterator
from datetime import date

from django.db.models import Case, F, OuterRef, Q, QuerySet, Subquery, When

from resupply.models import (
    AllowanceVersion,
    DispenseLine,
    Event,
    EventType,
    LifeVersion,
    Patient,
    PatientStatus,
)
from resupply.models.base import Voidable
from resupply.queries.payers import begun

Row = tuple[str | int | date | None, ...]
BATCH = 2000

_WORDS: dict[str, str] = {EventType.LOSS: "lost"}
"""Words of the files where they are not ours."""
_THERE = ~Q(patient__status=PatientStatus.WITHDRAWN)


def patients(*, today: date) -> Iterator[Row]:
    """One row a patient; the payer is today's."""
    payer = Subquery(begun(OuterRef("pk"), today).values("payer__name")[:1])
    rows = Patient.objects.exclude(status=PatientStatus.WITHDRAWN).annotate(payer=payer).order_by("pk")
    names = (
        *("reference", "given_name", "family_name", "birth_date", "email", "phone", "language"),
        *("time_zone", "location__name", "payer", "therapy_started_on"),
    )
    return rows.values_list(*names).iterator(chunk_size=BATCH)


def lives(*, today: date) -> Iterator[Row]:
    """The clinic's lives, and patients' own; without a period from the day on which policy counts again."""
    rows = _standing(LifeVersion.objects.filter(Q(patient=None) | _THERE))
    unit = Case(When(period_count__isnull=False, then="period_unit"))
    names = ("part_code", "period_count", unit, "effective_from", "patient__reference", "reason")
    return rows.values_list(*names).iterator(chunk_size=BATCH)


def allowances(*, today: date) -> Iterator[Row]:
    """What payers allow."""
    names = (
        *("payer__name", "part_code", "units", "period_count", "period_unit", "effective_from"),
        "at_once_periods",
    )
    return _standing(AllowanceVersion.objects.all()).values_list(*names).iterator(chunk_size=BATCH)


def dispenses(*, today: date) -> Iterator[Row]:
    """One row a line of a dispense."""
    rows = DispenseLine.objects.filter(voided_at=None, dispense__voided_at=None)
    rows = rows.exclude(dispense__patient__status=PatientStatus.WITHDRAWN)
    names = (
        *("dispense__patient__reference", "dispense__dispensed_on", "part_code", "quantity", "first_use_on"),
        *("billed", "family", "lot", "expires_on", "contains"),
    )
    for row in rows.order_by("dispense_id", "position").values_list(*names).iterator(chunk_size=BATCH):
        yield (*row[:5], "yes" if row[5] else "no", *row[6:9], ";".join(row[9]))


def events(*, today: date) -> Iterator[Row]:
    """Swaps, losses, pauses and refits."""
    rows = _standing(Event.objects.filter(_THERE))
    names = ("patient__reference", "event", "on", "kind", "until", "family")
    for row in rows.values_list(*names).iterator(chunk_size=BATCH):
        yield (row[0], _WORDS.get(row[1], row[1]), *row[2:])


TABLES: dict[str, tuple[tuple[str, ...], Callable[..., Iterator[Row]]]] = {
    "patients": (
        (
            *("patient_ref", "given_name", "family_name", "birth_date", "email", "phone", "language"),
            *("time_zone", "location", "payer", "therapy_started_on"),
        ),
        patients,
    ),
    "lives": (
        ("part_code", "period_count", "period_unit", "effective_from", "patient_ref", "reason"),
        lives,
    ),
    "allowances": (
        (
            *("payer", "part_code", "units", "period_count", "period_unit", "effective_from"),
            "at_once_periods",
        ),
        allowances,
    ),
    "dispenses": (
        (
            *("patient_ref", "dispensed_on", "part_code", "quantity", "first_use_on"),
            *("billed", "family", "lot", "expires_on", "contains"),
        ),
        dispenses,
    ),
    "events": (("patient_ref", "event", "on", "kind", "until", "family"), events),
}
"""Columns and rows of each table."""


def _standing(rows: "QuerySet[Voidable]") -> "QuerySet[Voidable]":
    return rows.filter(voided_at=None).order_by(F("pk"))
