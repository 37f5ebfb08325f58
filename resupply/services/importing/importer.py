"""The import of rows that were read: everything is checked, then written all or nothing.

A dry run does the whole work in a transaction and takes it back, so that what it says is what `commit` does.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import connection, transaction

from resupply.models import Coverage, Dispense, DispenseLine, Event, FindToken, ImportBatch, Patient
from resupply.services import plans
from resupply.services.chunks import chunks
from resupply.services.importing.bills import bill
from resupply.services.importing.check_facts import check_dispenses, check_events
from resupply.services.importing.check_people import check_patients
from resupply.services.importing.check_policies import check_allowances, check_lives
from resupply.services.importing.facts import (
    fresh_rows,
    touched_by_policy,
    write_allowances,
    write_dispenses,
    write_events,
    write_lives,
)
from resupply.services.importing.failed import failed_rows
from resupply.services.importing.known import known_patients, withdrawn_patients
from resupply.services.importing.people import plan_people, write_people
from resupply.services.importing.places import find_or_make_locations, find_or_make_payers
from resupply.services.importing.progress import Tell, untold
from resupply.services.importing.reading import RawRow
from resupply.services.importing.report import Report
from resupply.services.importing.rows import Rows
from resupply.services.importing.second_look import look_again
from resupply.services.records import gather_statistics, stamp

Raws = Mapping[str, Sequence[RawRow]]

ONE_AT_A_TIME = 0x1337_0002
"""Advisory lock: two imports at once would both take the same row for new; an undo waits for them too."""

_LONGEST_SILENCE = 120
"""Seconds between two statements of an import; the longest pause is the checking of the rows."""

_MANY = 1_000
"""Rows that change what the database should know about its tables."""

_EARLIEST_ZONE = timedelta(hours=14)
"""Somewhere it is already this much later than in UTC."""


@dataclass(frozen=True, slots=True)
class Import:
    """How rows are imported.

    `mail_consent`: an imported e-mail address counts as the patient's yes to mail. `done` runs last within
    the transaction that wrote, with the batch (None: the files added nothing); if it raises, nothing is
    written.
    """

    commit: bool
    now: datetime
    by: AbstractBaseUser | None = None
    mail_consent: bool = True
    file_names: Sequence[str] = field(default_factory=tuple)
    tell: Tell = untold
    done: Callable[[ImportBatch | None], None] = lambda batch: None


def import_rows(raws: Raws, report: Report, how: Import) -> None:
    """Import rows; with any error in them nothing is written, and so without `commit`.

    Importing twice adds nothing.
    """
    with transaction.atomic():
        take_turn()
        if raws.get("lives") or raws.get("allowances"):
            plans.lock_policy()
        references = _references(raws)
        known = known_patients(references)
        rows = _check(raws, known, report, how)
        if not report.errors:
            batch, touched = _write(rows, known, withdrawn_patients(references), report, how)
            if how.commit:
                report.plans_changed = _refresh(touched, how)
                report.committed = True
                how.done(batch)
        if not report.committed:
            transaction.set_rollback(True)
    report.sort()
    report.failed = failed_rows(raws, report)


def take_turn() -> None:
    """Wait until no other import or undo is under way; held until the transaction ends.

    A process that froze in the middle would hold it for ever: the database ends its transaction.
    """
    with connection.cursor() as cursor:
        cursor.execute(f"SET LOCAL idle_in_transaction_session_timeout = '{_LONGEST_SILENCE}s'")
        cursor.execute("SELECT pg_advisory_xact_lock(%s)", [ONE_AT_A_TIME])


def _references(raws: Raws) -> set[str]:
    """Every patient the files name."""
    return {row.cells.get("patient_ref", "") for table in raws.values() for row in table} - {""}


def _check(raws: Raws, known: Mapping[str, Patient], report: Report, how: Import) -> Rows:
    """All files, each row against the others and the record; faults go to `report`."""
    total, done = sum(len(table) for table in raws.values()), 0

    def of(name: str) -> list[RawRow]:
        nonlocal done
        how.tell("check", done, total)
        found = list(raws.get(name, ()))
        done += len(found)
        return found

    latest_birth = (how.now + _EARLIEST_ZONE).date()
    people = of("patients")
    patients = check_patients(people, known, report, latest_birth=latest_birth)
    births: dict[str, date | None] = {patient.reference: patient.birth_date for patient in known.values()}
    births |= {raw.cells["patient_ref"]: None for raw in people}
    births |= {row.reference: row.birth_date for row in patients}
    rows = Rows(
        patients=patients,
        lives=check_lives(of("lives"), births, report),
        allowances=check_allowances(of("allowances"), report),
        dispenses=check_dispenses(of("dispenses"), births, report),
        events=check_events(of("events"), births, report),
    )
    how.tell("check", total, total)
    return rows


def _write(
    rows: Rows,
    known: Mapping[str, Patient],
    withdrawn: Mapping[str, Patient],
    report: Report,
    how: Import,
) -> tuple[ImportBatch | None, Sequence[int]]:
    """Write what is new or changed, warn where the record gives reason to; return the patients touched.

    Long as one list of steps, whose order is that of the rows' dependence and of the locks.
    """
    mark = stamp(how.by, how.now)
    fresh = fresh_rows(rows, report)
    places = find_or_make_locations(rows.patients, known)
    payers, before = find_or_make_payers(rows.patients, [row for row, _ in fresh.allowances])
    changes = plan_people(rows.patients, known, withdrawn, places, payers, now=how.now)
    people = changes.by_reference
    touched = changes.touched_ids | touched_by_policy(fresh, payers)
    touched |= {known[reference].pk for reference in fresh.references if reference in known}
    touched |= {patient.pk for patient in changes.revived}
    plans.lock_patients(sorted(touched))
    report.added["patients"], report.changed["patients"] = changes.count_added, len(changes.touched_ids)
    report.known["patients"] = len(rows.patients) - changes.count_added - len(changes.touched_ids)
    batch = None
    if any(report.added.values()) or any(report.changed.values()):
        batch = ImportBatch.objects.create(
            imported_at=how.now,
            imported_by_id=mark["recorded_by_id"],
            file_names=list(how.file_names),
            rows_added=report.added | {"changed": report.changed["patients"]},
        )
        before += changes.before
        total = len(fresh)
        report.consents, replaced = write_people(changes, batch, mail_consent=how.mail_consent, mark=mark)
        how.tell("write", 0, total)
        ahead = len(fresh.lives) + len(fresh.allowances)
        write_lives(fresh.lives, people, batch, mark)
        write_allowances(fresh.allowances, payers, batch, mark)
        billed_to = bill(fresh.dispenses, rows.patients, people, payers, report)

        def tell(done: int) -> None:
            how.tell("write", ahead + done, total)

        write_dispenses(fresh.dispenses, people, billed_to, batch, mark, tell)
        ended = write_events(fresh.events, people, batch, mark)
        how.tell("write", total, total)
        ImportBatch.objects.filter(pk=batch.pk).update(before=[*before, *replaced, *ended])
    if sum(report.added.values()) >= _MANY:
        gather_statistics(Patient, FindToken, Coverage, Dispense, DispenseLine, Event)
    look_again(fresh.events, people, report)
    return batch, sorted(touched | {patient.pk for patient in changes.new})


def _refresh(touched: Sequence[int], how: Import) -> int:
    """Refresh the plans of the patients touched, telling how far it is."""
    changed = done = 0
    for some in chunks(touched, size=plans.BATCH):
        how.tell("plans", done, len(touched))
        changed += plans.refresh_plans(some, now=how.now)
        done += len(some)
    how.tell("plans", done, len(touched))
    return changed
