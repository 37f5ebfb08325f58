"""Imported versions, dispenses and events: which rows are new, and the writing of them in file order."""

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TypeVar

from django.db.models import Q

from resupply.models import (
    AllowanceVersion,
    Coverage,
    Dispense,
    DispenseLine,
    Event,
    EventType,
    ImportBatch,
    LifeVersion,
    Patient,
    Payer,
)
from resupply.services.chunks import chunks
from resupply.services.importing.before import Before, replaced
from resupply.services.importing.copying import copy_rows
from resupply.services.importing.keys import FactRow, import_keys
from resupply.services.importing.people import BATCH
from resupply.services.importing.report import Report
from resupply.services.importing.rows import AllowanceRow, DispenseRow, EventRow, LifeRow, Rows
from resupply.services.records import Stamp

R = TypeVar("R", bound=FactRow)

COPIED = 10_000
"""Lines from one word about progress to the next."""

ENDED = "the import brought its end"
"""Why an open pause was voided."""


@dataclass(frozen=True, slots=True)
class FreshRows:
    """Rows that no earlier import brought, each with its key, in file order."""

    lives: list[tuple[LifeRow, str]]
    allowances: list[tuple[AllowanceRow, str]]
    dispenses: list[tuple[DispenseRow, str]]
    events: list[tuple[EventRow, str]]

    @property
    def references(self) -> set[str]:
        """Patients whose own facts are added to."""
        own = (
            *(row.reference for row, _ in self.lives),
            *(row.reference for row, _ in self.dispenses),
            *(row.reference for row, _ in self.events),
        )
        return {reference for reference in own if reference}

    def __len__(self) -> int:
        return len(self.lives) + len(self.allowances) + len(self.dispenses) + len(self.events)


def fresh_rows(rows: Rows, report: Report) -> FreshRows:
    """Leave out what an earlier import brought (standing or voided since), and count both."""
    return FreshRows(
        lives=_fresh("lives", rows.lives, LifeVersion, report),
        allowances=_fresh("allowances", rows.allowances, AllowanceVersion, report),
        dispenses=_fresh("dispenses", rows.dispenses, DispenseLine, report),
        events=_fresh("events", rows.events, Event, report),
    )


def touched_by_policy(fresh: FreshRows, payers: Mapping[str, Payer]) -> set[int]:
    """Patients on record whose plan a new clinic life or a new allowance may change."""
    codes = {row.code for row, _ in fresh.lives if not row.reference}
    return patients_of_policy(codes, {payers[row.payer].pk for row, _ in fresh.allowances})


def patients_of_policy(codes: Collection[str], payer_ids: Collection[int]) -> set[int]:
    """Patients whose plan may change with the clinic's lives of some codes or what some payers allow."""
    touched: set[int] = set()
    if codes:
        listed = sorted(codes)
        given = DispenseLine.objects.filter(Q(part_code__in=listed) | Q(contains__overlap=listed))
        touched.update(given.values_list("dispense__patient_id", flat=True))
    if payer_ids:
        covered = Coverage.objects.filter(payer__in=payer_ids, voided_at=None)
        touched.update(covered.values_list("patient_id", flat=True))
    return touched


def write_lives(
    rows: Sequence[tuple[LifeRow, str]], people: Mapping[str, Patient], batch: ImportBatch, mark: Stamp
) -> None:
    """Append lives: a patient's own, and the clinic's where a row names nobody."""
    LifeVersion.objects.bulk_create(
        (
            LifeVersion(
                patient=people[row.reference] if row.reference else None,
                part_code=row.code,
                period_count=row.period_count,
                period_unit=row.period_unit,
                effective_from=row.effective_from,
                reason=row.reason,
                batch=batch,
                import_key=key,
                **mark,
            )
            for row, key in rows
        ),
        batch_size=BATCH,
    )


def write_allowances(
    rows: Sequence[tuple[AllowanceRow, str]], payers: Mapping[str, Payer], batch: ImportBatch, mark: Stamp
) -> None:
    """Append what payers allow."""
    AllowanceVersion.objects.bulk_create(
        (
            AllowanceVersion(
                payer=payers[row.payer],
                part_code=row.code,
                units=row.units,
                period_count=row.period_count,
                period_unit=row.period_unit,
                at_once_periods=row.at_once,
                effective_from=row.effective_from,
                source="imported",
                batch=batch,
                import_key=key,
                **mark,
            )
            for row, key in rows
        ),
        batch_size=BATCH,
    )


def write_dispenses(
    rows: Sequence[tuple[DispenseRow, str]],
    people: Mapping[str, Patient],
    billed_to: Mapping[int, int],
    batch: ImportBatch,
    mark: Stamp,
    tell: Callable[[int], None],
) -> None:
    """Append the dispensed rows: one dispense per patient and day, its lines in file order.

    `billed_to` is the payer's id by row number; a row marked as billed without one is nobody's bill. `tell`
    hears how many of these rows are written.
    """
    dispenses: dict[tuple[str, date], Dispense] = {}
    lines: list[DispenseLine] = []
    positions: dict[tuple[str, date], int] = {}
    for row, key in rows:
        which = (row.reference, row.on)
        if which not in dispenses:
            patient = people[row.reference]
            dispenses[which] = Dispense(
                patient=patient, location_id=patient.location_id, dispensed_on=row.on, batch=batch, **mark
            )
        positions[which] = positions.get(which, -1) + 1
        line = _line(row, key, billed_to.get(row.number), mark)
        line.dispense, line.position = dispenses[which], positions[which]
        lines.append(line)
    copy_rows(list(dispenses.values()))
    for line in lines:
        line.dispense_id = line.dispense.pk
    written = 0
    for some in chunks(lines, size=COPIED):
        copy_rows(some)
        written += len(some)
        tell(written)


def _line(row: DispenseRow, key: str, payer_id: int | None, mark: Stamp) -> DispenseLine:
    """A row as a line, without its dispense and its place there."""
    return DispenseLine(
        part_code=row.code,
        kind=row.kind,
        quantity=row.quantity,
        lot=row.lot,
        expires_on=row.expires_on,
        first_use_on=row.first_use_on,
        billed=payer_id is not None,
        billed_to_id=payer_id,
        family=row.family,
        contains=list(row.contains),
        import_key=key,
        **mark,
    )


def write_events(
    rows: Sequence[tuple[EventRow, str]], people: Mapping[str, Patient], batch: ImportBatch, mark: Stamp
) -> list[Before]:
    """Append the events. A pause with an end takes the place of the same pause on record as open; such ones
    are returned.
    """
    before: list[Before] = []
    closed = {(people[row.reference].pk, row.on) for row, _ in rows if row.until is not None}
    for some in chunks({patient_id for patient_id, _ in closed}):
        open_pauses = Event.objects.filter(
            patient_id__in=some, event=EventType.PAUSE, until=None, voided_at=None
        )
        ended = [pause.pk for pause in open_pauses if (pause.patient_id, pause.on) in closed]
        Event.objects.filter(pk__in=ended).update(
            voided_at=mark["recorded_at"],
            voided_by_id=mark["recorded_by_id"],
            void_reason=ENDED,
        )
        before += replaced("event", ended)
    Event.objects.bulk_create(
        (
            Event(
                patient=people[row.reference],
                event=row.event,
                kind=row.kind or "",
                on=row.on,
                until=row.until,
                family=row.family,
                batch=batch,
                import_key=key,
                **mark,
            )
            for row, key in rows
        ),
        batch_size=BATCH,
    )
    return before


def _fresh(
    table: str,
    rows: Sequence[R],
    model: type[LifeVersion] | type[AllowanceVersion] | type[DispenseLine] | type[Event],
    report: Report,
) -> list[tuple[R, str]]:
    """The rows of one file whose key is not on record."""
    keys = import_keys(table, rows)
    found: set[str | None] = set()
    for some in chunks(keys):
        found.update(model.objects.filter(import_key__in=some).values_list("import_key", flat=True))
    fresh = [(row, key) for row, key in zip(rows, keys, strict=True) if key not in found]
    report.added[table], report.known[table] = len(fresh), len(rows) - len(fresh)
    return fresh
