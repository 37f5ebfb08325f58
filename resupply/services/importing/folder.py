"""The import of a folder: read, check everything, then write all or nothing.

A dry run does the whole work in a transaction and takes it back, so that what it says is what `commit` does.
"""

from collections import defaultdict
from collections.abc import Sequence
from datetime import date, datetime, timedelta
from pathlib import Path

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import connection, transaction

from resupply.models import Coverage, Dispense, DispenseLine, Event, FindToken, ImportBatch, Patient
from resupply.services import plans
from resupply.services.importing.bills import bill
from resupply.services.importing.check_facts import check_dispenses, check_events
from resupply.services.importing.check_people import check_patients
from resupply.services.importing.check_policies import check_allowances, check_lives
from resupply.services.importing.columns import TABLES
from resupply.services.importing.facts import (
    fresh_rows,
    touched_by_policy,
    write_dispenses,
    write_events,
    write_versions,
)
from resupply.services.importing.known import known_patients
from resupply.services.importing.people import plan_people, write_people
from resupply.services.importing.places import find_or_make_locations, find_or_make_payers
from resupply.services.importing.reading import RawRow, read_folder
from resupply.services.importing.report import FailedRow, Problem, Report
from resupply.services.importing.rows import Rows
from resupply.services.importing.second_look import look_again
from resupply.services.records import stamp

_ONE_AT_A_TIME = 0x1337_0002
"""Advisory lock: two imports at once would both take the same row for new."""

_MANY = 1_000
"""Rows that change what the database should know about its tables."""

_EARLIEST_ZONE = timedelta(hours=14)
"""Somewhere it is already this much later than in UTC."""


def import_folder(
    folder: Path,
    *,
    commit: bool,
    now: datetime,
    by: AbstractBaseUser | None = None,
    mail_consent: bool = True,
) -> Report:
    """Import the files of a folder; with any error in them nothing is written, and so without `commit`.

    `mail_consent`: an imported e-mail address counts as the patient's yes to mail. Importing twice adds
    nothing.
    """
    report = Report()
    raws = read_folder(folder, report)
    with transaction.atomic():
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_advisory_xact_lock(%s)", [_ONE_AT_A_TIME])
        if raws.get("lives") or raws.get("allowances"):
            plans.lock_policy()
        known = known_patients(_references(raws))
        rows = _check(raws, known, report, now)
        if not report.errors:
            touched = _write(rows, known, report, now=now, by=by, mail_consent=mail_consent)
            if commit:
                report.plans_changed = plans.refresh_plans(touched, now=now)
                report.committed = True
        if not report.committed:
            transaction.set_rollback(True)
    report.sort()
    report.failed = _failed_rows(raws, report)
    return report


def _failed_rows(raws: dict[str, list[RawRow]], report: Report) -> dict[str, list[FailedRow]]:
    """The rows at fault by table, each once, in file order."""
    faults: dict[tuple[str, int], list[Problem]] = defaultdict(list)
    for problem in report.errors:
        faults[problem.file, problem.row].append(problem)
    failed: dict[str, list[FailedRow]] = defaultdict(list)
    for table in TABLES:
        for raw in raws.get(table.name, []):
            if found := faults.get((table.file, raw.number)):
                wrong = "; ".join(f"{problem.column}: {problem.wrong}" for problem in found)
                mend = "; ".join(f"{problem.column}: {problem.mend}" for problem in found)
                failed[table.name].append(FailedRow(raw.cells, wrong, mend))
    return dict(failed)


def _gather_statistics() -> None:
    """Tell the database how full its tables are now, before anything reads them.

    It would find out by itself within a minute; until then, plans made for empty tables cost 20 times more.
    """
    filled = (Patient, FindToken, Coverage, Dispense, DispenseLine, Event)
    tables = ", ".join(connection.ops.quote_name(model._meta.db_table) for model in filled)
    with connection.cursor() as cursor:
        cursor.execute(f"ANALYZE {tables}")


def _references(raws: dict[str, list[RawRow]]) -> set[str]:
    """Every patient the files name."""
    return {row.cells.get("patient_ref", "") for table in raws.values() for row in table} - {""}


def _check(raws: dict[str, list[RawRow]], known: dict[str, Patient], report: Report, now: datetime) -> Rows:
    """All files, each row against the others and the record; faults go to `report`."""
    latest_birth = (now + _EARLIEST_ZONE).date()
    patients = check_patients(raws.get("patients", []), known, report, latest_birth=latest_birth)
    births: dict[str, date | None] = {patient.reference: patient.birth_date for patient in known.values()}
    births |= {raw.cells["patient_ref"]: None for raw in raws.get("patients", [])}
    births |= {row.reference: row.birth_date for row in patients}
    return Rows(
        patients=patients,
        lives=check_lives(raws.get("lives", []), births, report),
        allowances=check_allowances(raws.get("allowances", []), report),
        dispenses=check_dispenses(raws.get("dispenses", []), births, report),
        events=check_events(raws.get("events", []), births, report),
    )


def _write(
    rows: Rows,
    known: dict[str, Patient],
    report: Report,
    *,
    now: datetime,
    by: AbstractBaseUser | None,
    mail_consent: bool,
) -> Sequence[int]:
    """Write what is new or changed, warn where the record gives reason to; return the patients touched."""
    mark = stamp(by, now)
    places = find_or_make_locations(rows.patients)
    payers = find_or_make_payers(rows.patients, rows.allowances)
    changes = plan_people(rows.patients, known, places, payers, now=now)
    people, fresh = changes.by_reference, fresh_rows(rows, report)
    touched = changes.touched_ids | touched_by_policy(fresh, payers)
    touched |= {known[reference].pk for reference in fresh.references if reference in known}
    plans.lock_patients(sorted(touched))
    report.consents = write_people(changes, mail_consent=mail_consent, mark=mark)
    report.added["patients"], report.changed["patients"] = len(changes.new), len(changes.touched_ids)
    report.known["patients"] = len(rows.patients) - len(changes.new) - len(changes.touched_ids)
    write_versions(fresh, people, payers, mark)
    billed_to = bill(fresh.dispenses, rows.patients, people, payers, report)
    if any(report.added.values()) or any(report.changed.values()):
        batch = ImportBatch.objects.create(imported_at=now, rows_added=report.added)
        write_dispenses(fresh.dispenses, people, billed_to, batch, mark)
        write_events(fresh.events, people, batch, mark)
    if sum(report.added.values()) >= _MANY:
        _gather_statistics()
    look_again(fresh.events, people, report)
    return sorted(touched | {patient.pk for patient in changes.new})
