"""Nights from a file: read, checked, recorded all or nothing; a newer file replaces nights that differ."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.models import Night, NightImport, Patient
from resupply.rules.leaks import LeakKind
from resupply.rules.nights import COLUMNS, OTHER_COLUMNS, Column, TwiceError, columns_of, read_value
from resupply.services import plans
from resupply.services.errors import Refused
from resupply.services.importing.columns import Table
from resupply.services.importing.reading import RawRow, read_table
from resupply.services.importing.report import Report
from resupply.services.records import check_reason, local_day, stamp, take_back

NIGHTS = Table("nights", required=("night_date",), optional=(*COLUMNS, *OTHER_COLUMNS[1:]))
"""The open file of nights: one row a night."""

REPLACED = "Replaced by a newer file"
"""Why a night was voided."""
MOST_NIGHTS = 5_000
"""More than thirteen years of nights: a larger file is another file."""


@dataclass(frozen=True, slots=True)
class NightRow:
    """One night as read, in the units that are kept; None where the file says nothing."""

    night_on: date
    usage_min: int
    ahi_flow: Decimal | None
    press_p50: Decimal | None
    press_p95: Decimal | None
    leak_p50: Decimal | None
    leak_p95: Decimal | None
    leak_kind: str
    source: str


@dataclass(frozen=True, slots=True)
class Recorded:
    """What a file of nights came to; `brought` is None where it held nothing new."""

    brought: NightImport | None
    added: int
    replaced: int
    known: int


def read_nights(content: bytes, *, today: date) -> tuple[list[NightRow], Report]:
    """The nights of a file and what is wrong with it; `today` is the patient's.

    A night that has not begun, a night that is there twice, a value out of range and a row without use are
    errors; so are two columns for one value.
    """
    report = Report()
    raws = read_table(content, NIGHTS, report)
    try:
        columns = columns_of(raws[0].cells if raws else ())
    except TwiceError as twice:
        report.add(NIGHTS.file, 1, "", "", f"{twice} bring the same value", "leave one of them")
        return [], report
    if raws and "usage" not in columns:
        report.add(NIGHTS.file, 1, "usage_min", "", "this column is missing", "add usage_min or usage_h")
        return [], report
    if not raws and not report.errors:
        report.add(NIGHTS.file, 0, "", "", "the file holds no night", "choose the file with one row a night")
    if len(raws) > MOST_NIGHTS:
        report.add(NIGHTS.file, 0, "", "", f"the file holds {len(raws)} rows", f"send at most {MOST_NIGHTS}")
        return [], report
    rows = [row for raw in raws if (row := _row(raw, columns, report, today=today))]
    _once_each(raws, report)
    return rows, report


def record_nights(
    patient: Patient, rows: Sequence[NightRow], *, by: AbstractBaseUser | None, now: datetime
) -> Recorded:
    """Record nights that were read without an error. Raises Refused `no_nights`.

    Nights on record that say the same stay; those that differ are voided and replaced.
    """
    if not rows:
        raise Refused("no_nights", "The file holds no night. Choose the file with one row a night.", "file")
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        on_record = {
            night.night_on: night
            for night in Night.objects.filter(
                patient=patient, voided_at=None, night_on__in=[row.night_on for row in rows]
            )
        }
        fresh = [row for row in rows if not _is_same(on_record.get(row.night_on), row)]
        if not fresh:
            return Recorded(None, 0, 0, len(rows))
        replaced = [on_record[row.night_on].pk for row in fresh if row.night_on in on_record]
        Night.objects.filter(pk__in=replaced).update(voided_at=now, voided_by=by, void_reason=REPLACED)
        days = [row.night_on for row in fresh]
        brought = NightImport.objects.create(
            patient=patient,
            rows=len(fresh),
            first_night=min(days),
            last_night=max(days),
            **stamp(by, now),
        )
        Night.objects.bulk_create(
            [Night(patient=patient, brought_by=brought, **_fields(row), **stamp(by, now)) for row in fresh]
        )
    return Recorded(brought, len(fresh) - len(replaced), len(replaced), len(rows) - len(fresh))


def void_import(
    brought: NightImport, *, reason: str, by: AbstractBaseUser | None, now: datetime
) -> NightImport:
    """Take back a file of nights, and every night of it that still stands; those it replaced stand again.

    Raises Refused: `reason_missing`, `reason_long`, `already_void`.
    """
    with transaction.atomic():
        plans.lock_patients([brought.patient_id])
        take_back(brought, reason=reason, by=by, now=now)
        Night.objects.filter(brought_by=brought, voided_at=None).update(
            voided_at=now, voided_by=by, void_reason=check_reason(reason)
        )
        nights = Night.objects.filter(patient=brought.patient_id)
        replaced = nights.filter(void_reason=REPLACED, voided_at=brought.recorded_at)
        newer = nights.filter(voided_at=None).values("night_on")
        replaced.filter(brought_by__voided_at=None).exclude(night_on__in=newer).update(
            voided_at=None, voided_by=None, void_reason=""
        )
    return brought


def last_night_over(patient: Patient, now: datetime) -> date:
    """The last night that is over: it began yesterday by the patient's calendar."""
    return local_day(now, patient.time_zone) - timedelta(days=1)


def _row(raw: RawRow, columns: dict[str, Column], report: Report, *, today: date) -> NightRow | None:
    """One night, or None with what is wrong in the report."""
    before = len(report.errors)
    night_on = _night(raw, report, today=today)
    values = {name: _value(raw, column, report) for name, column in columns.items()}
    use = values.pop("usage")
    if use is None and len(report.errors) == before:
        header = columns["usage"].header
        report.add(NIGHTS.file, raw.number, header, "", "the cell is empty", "write 0 for a night not used")
    kind = raw.cells.get("leak_kind", "").lower() or LeakKind.UNKNOWN
    if kind not in set(LeakKind):
        mend = f"write {', '.join(LeakKind)}, or leave it empty"
        report.add(NIGHTS.file, raw.number, "leak_kind", kind, "no such kind of leak", mend)
    source = raw.cells.get("source", "")
    if len(source) > 60:
        report.add(NIGHTS.file, raw.number, "source", source, "it is too long", "write at most 60 characters")
    if len(report.errors) > before or night_on is None or use is None:
        return None
    return NightRow(
        night_on,
        int(use),
        values.get("ahi_flow"),
        values.get("press_p50"),
        values.get("press_p95"),
        values.get("leak_p50"),
        values.get("leak_p95"),
        kind,
        source,
    )


def _night(raw: RawRow, report: Report, *, today: date) -> date | None:
    """The date on which the night began."""
    text = raw.cells.get("night_date", "")
    if (day := _day(text)) is None:
        report.add(NIGHTS.file, raw.number, "night_date", text, "this is no date", "write it as 2026-03-28")
        return None
    if day >= today or day.year < 1990:
        wrong = "this night is not over yet" if day >= today else "this night lies too far back"
        report.add(NIGHTS.file, raw.number, "night_date", text, wrong, "correct the date")
    return day


def _day(text: str) -> date | None:
    """A date in a form of ISO 8601, some of which write one day in several ways (2026-03-28, 20260328)."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None


def _value(raw: RawRow, column: Column, report: Report) -> Decimal | None:
    """A value of a night; a cell that cannot be read is reported."""
    cell = raw.cells.get(column.header, "")
    try:
        return read_value(column, cell)
    except ValueError as wrong:
        most = column.measure.most / column.per_unit
        mend = f"write a number from 0 to {most:.0f}, with a point before the decimals"
        report.add(NIGHTS.file, raw.number, column.header, cell, str(wrong), mend)
        return None


def _once_each(raws: Sequence[RawRow], report: Report) -> None:
    """Report nights that are there twice, however they are written."""
    seen: set[date] = set()
    for raw in raws:
        text = raw.cells.get("night_date", "")
        day = _day(text)
        if day in seen:
            report.add(
                NIGHTS.file, raw.number, "night_date", text, "this night is there twice", "leave one of them"
            )
        if day:
            seen.add(day)


def _fields(row: NightRow) -> dict[str, object]:
    return {name: getattr(row, name) for name in NightRow.__slots__}


def _is_same(night: Night | None, row: NightRow) -> bool:
    """Whether the night on record says what the row says."""
    return night is not None and all(getattr(night, name) == value for name, value in _fields(row).items())
