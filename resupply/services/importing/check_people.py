"""patients.csv: the rows checked, against each other and against what is on record."""

from collections.abc import Mapping
from datetime import date
from difflib import get_close_matches
from functools import cache
from zoneinfo import available_timezones

from django.core.exceptions import ValidationError
from django.core.validators import validate_email

from resupply.models import Language, Location, Patient
from resupply.services.importing.cells import Cells
from resupply.services.importing.columns import PATIENTS
from resupply.services.importing.known import first_facts, zeros_lost
from resupply.services.importing.places import home_of_unplaced
from resupply.services.importing.reading import RawRow
from resupply.services.importing.report import Report
from resupply.services.importing.rows import PatientRow


def check_patients(
    raws: list[RawRow], known: Mapping[str, Patient], report: Report, *, latest_birth: date
) -> list[PatientRow]:
    """The rows that stand, each reference once; `latest_birth` is the last day anyone can have been born."""
    moved = _first_facts_of_moved_births(raws, known)
    rows: dict[str, PatientRow] = {}
    shorter = zeros_lost({raw.cells["patient_ref"] for raw in raws} - known.keys())
    closed = frozenset(Location.objects.exclude(closed_on=None).values_list("name", flat=True))
    home = home_of_unplaced()
    for raw in raws:
        cells = Cells(PATIENTS, raw, report)
        row = _patient(cells, latest_birth, moved)
        if row is None:
            continue
        if (place := _comes_to(row, known.get(row.reference), home)) in closed:
            cells.fail("location", f"{place} is closed", "name an open location, or open it again first")
            continue
        if row.reference in shorter:
            wrong = f"it makes a new patient, while {shorter[row.reference]} is on record"
            cells.warn("patient_ref", wrong, "write the zeros in front if they are the same patient")
        twin = rows.setdefault(row.reference, row)
        if not _same(twin, row):
            wrong = f"row {twin.number} has the same reference and says something else"
            cells.fail("patient_ref", wrong, "leave one of the two rows, or give one its own reference")
    return list(rows.values())


def _comes_to(row: PatientRow, patient: Patient | None, home: str) -> str | None:
    """The location that a row brings its patient to; None: the patient on record stays."""
    if patient is not None and row.location in ("", patient.location.name):
        return None
    return row.location or home


def _patient(cells: Cells, latest_birth: date, first_fact: Mapping[str, date]) -> PatientRow | None:
    """One row, or None where a cell was at fault."""
    reference = cells.text("patient_ref", longest=40, required=True)
    given, family = cells.text("given_name", longest=80), cells.text("family_name", longest=80)
    if not given and not family:
        cells.fail("family_name", "the patient has no name", "write at least one name")
    born = cells.day("birth_date", required=True)
    started = cells.day("therapy_started_on")
    row = PatientRow(
        number=cells.row,
        reference=reference,
        given_name=given,
        family_name=family,
        birth_date=born or latest_birth,
        email=_email(cells),
        phone=cells.text("phone", longest=40),
        language=cells.choice("language", Language.values, empty="") or "",
        time_zone=_time_zone(cells),
        location=cells.text("location", longest=80),
        payer=cells.text("payer", longest=80) if cells.has("payer") else None,
        therapy_started_on=started,
    )
    if born and born > latest_birth:
        cells.fail("birth_date", "this day has not come yet", "write the patient's date of birth")
    if born and started and started < born:
        cells.fail("therapy_started_on", f"it lies before the birth on {born}", "correct one of them")
    if born and reference in first_fact and first_fact[reference] < born:
        wrong = f"something is on record for this patient on {first_fact[reference]}, before this birth"
        cells.fail("birth_date", wrong, "check the date of birth, or void that record first")
    return None if cells.failed else row


def _email(cells: Cells) -> str:
    """An e-mail address, or nothing."""
    value = cells.text("email", longest=254)
    if value:
        try:
            validate_email(value)
        except ValidationError:
            cells.fail(
                "email", "this is no e-mail address", "write it as name@example.org, or leave it empty"
            )
    return value


def _time_zone(cells: Cells) -> str:
    """The name of a zone; empty is the location's."""
    value = cells.raw("time_zone")
    if value and value not in _zones():
        near = get_close_matches(value, sorted(_zones()), n=1)
        mend = f"write {near[0]}" if near else "write a name such as America/Denver, or leave it empty"
        cells.fail("time_zone", "this time zone is not known", mend)
    return value


@cache
def _zones() -> frozenset[str]:
    """Names of all zones; listing them reads a folder."""
    return frozenset(available_timezones())


def _same(one: PatientRow, other: PatientRow) -> bool:
    """Whether two rows say the same of a patient."""
    fields = [name for name in PatientRow.__slots__ if name != "number"]
    return all(getattr(one, name) == getattr(other, name) for name in fields)


def _first_facts_of_moved_births(raws: list[RawRow], known: Mapping[str, Patient]) -> dict[str, date]:
    """First recorded day, by reference, of patients on record whose date of birth the file changes."""
    moved = {
        raw.cells["patient_ref"]: known[raw.cells["patient_ref"]].pk
        for raw in raws
        if raw.cells["patient_ref"] in known
        and raw.cells["birth_date"] != known[raw.cells["patient_ref"]].birth_date.isoformat()
    }
    first = first_facts(moved.values()) if moved else {}
    return {reference: first[pk] for reference, pk in moved.items() if pk in first}
