"""Patients, who pays for them and their yes to mail: what an import would change, and the writing of it."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime

from resupply.models import (
    Channel,
    Consent,
    Coverage,
    FindToken,
    ImportBatch,
    Language,
    Location,
    Patient,
    Payer,
)
from resupply.services.chunks import chunks
from resupply.services.find_tokens import token_rows
from resupply.services.importing.before import Before, changed, replaced
from resupply.services.importing.known import Payers
from resupply.services.importing.rows import PatientRow
from resupply.services.records import Stamp, local_day

HOW_CONSENTED = "on file with the clinic's old list"
BATCH = 2_000
REPLACED = "replaced by another payer in an import on the same day"
"""Why a coverage was voided."""

_BEGUN_ANEW = [
    field.name
    for field in Patient._meta.concrete_fields
    if field.name not in {"id", "public_id", "reference", "created_at"}
]
_TEXT = ("given_name", "family_name", "email", "phone", "language", "time_zone")


@dataclass(slots=True)
class PeopleChanges:
    """Patients to add or change, in file order; `covered` holds changed payers of known patients.

    `revived` are patients whose import was undone and who come again: they begin anew.
    """

    by_reference: dict[str, Patient] = field(default_factory=dict)
    new: list[Patient] = field(default_factory=list)
    revived: list[Patient] = field(default_factory=list)
    payers: dict[str, Payer | None] = field(default_factory=dict)
    """Who pays for the new and the revived, by reference."""
    changed: list[Patient] = field(default_factory=list)
    changed_fields: set[str] = field(default_factory=set)
    covered: list[tuple[Patient, Payer | None]] = field(default_factory=list)
    new_addresses: list[Patient] = field(default_factory=list)
    before: list[Before] = field(default_factory=list)

    @property
    def count_added(self) -> int:
        """How many patients the clinic did not have."""
        return len(self.new) + len(self.revived)

    @property
    def touched_ids(self) -> set[int]:
        """Patients on record who change."""
        return {patient.pk for patient in self.changed} | {patient.pk for patient, _ in self.covered}


def plan_people(
    rows: list[PatientRow],
    known: Mapping[str, Patient],
    withdrawn: Mapping[str, Patient],
    places: Mapping[str, Location],
    payers: Mapping[str, Payer],
    *,
    now: datetime,
) -> PeopleChanges:
    """Compare the rows with the patients on record; nothing is written."""
    changes = PeopleChanges(by_reference=dict(known))
    paying = Payers([known[row.reference].pk for row in rows if row.reference in known])
    for row in rows:
        payer = payers[row.payer] if row.payer else None
        patient = known.get(row.reference)
        if patient is None:
            patient = _new_patient(row, places[row.location], now)
            changes.by_reference[row.reference] = patient
            changes.payers[row.reference] = payer
            if (former := withdrawn.get(row.reference)) is None:
                changes.new.append(patient)
            else:
                patient.pk, patient.public_id, patient.created_at = (
                    former.pk,
                    former.public_id,
                    former.created_at,
                )
                changes.revived.append(patient)
            if patient.email:
                changes.new_addresses.append(patient)
            continue
        _change(patient, row, places, changes)
        if row.payer is not None:
            payer_id = payer.pk if payer else None
            if paying.on(patient.pk, local_day(now, patient.time_zone)) != payer_id:
                changes.covered.append((patient, payer))
    return changes


def write_people(
    changes: PeopleChanges, batch: ImportBatch, *, mail_consent: bool, mark: Stamp
) -> tuple[int, list[Before]]:
    """Write patients, the words they are found by, coverage and consents.

    Returns the number of consents, and the coverage that other coverage took the place of. Coverage of a new
    patient starts at birth, so that it holds for the whole imported record; a payer changed by an import pays
    from the day of the import.
    """
    for patient in (*changes.new, *changes.revived):
        patient.batch = batch
    Patient.objects.bulk_create(changes.new, batch_size=BATCH)
    if changes.revived:
        Patient.objects.bulk_update(changes.revived, _BEGUN_ANEW, batch_size=BATCH)
    if changes.changed:
        Patient.objects.bulk_update(changes.changed, sorted(changes.changed_fields), batch_size=BATCH)
    write_tokens(changes.new, changes.changed + changes.revived)
    replaced_ids = _void_coverage_of_the_day(changes.covered, mark)
    first = [
        (patient, payer, patient.birth_date)
        for patient in (*changes.new, *changes.revived)
        if (payer := changes.payers[patient.reference]) is not None
    ]
    now = mark["recorded_at"]
    later = [(patient, payer, local_day(now, patient.time_zone)) for patient, payer in changes.covered]
    Coverage.objects.bulk_create(
        (
            Coverage(patient=patient, payer=payer, starts_on=starts_on, batch=batch, **mark)
            for patient, payer, starts_on in (*first, *later)
        ),
        batch_size=BATCH,
    )
    consents = _write_consents(changes.new_addresses, batch, mark) if mail_consent else 0
    return consents, replaced("coverage", replaced_ids)


def write_tokens(new: Iterable[Patient], changed: Collection[Patient] = ()) -> None:
    """Write the words patients are found by; those of changed patients anew."""
    for some in chunks([patient.pk for patient in changed]):
        FindToken.objects.filter(patient_id__in=some).delete()
    FindToken.objects.bulk_create(
        (row for patient in (*new, *changed) for row in token_rows(patient)),
        batch_size=BATCH,
    )


def _new_patient(row: PatientRow, place: Location, now: datetime) -> Patient:
    """A patient not on record yet, unsaved."""
    return Patient(
        reference=row.reference,
        given_name=row.given_name,
        family_name=row.family_name,
        birth_date=row.birth_date,
        email=row.email,
        phone=row.phone,
        language=row.language or Language.ENGLISH,
        time_zone=row.time_zone or place.time_zone,
        location=place,
        therapy_started_on=row.therapy_started_on,
        created_at=now,
    )


def _change(
    patient: Patient, row: PatientRow, places: Mapping[str, Location], changes: PeopleChanges
) -> None:
    """Put the row's values on a patient on record, and note which of them are new."""
    values: dict[str, object] = {name: getattr(row, name) for name in _TEXT}
    values |= {"birth_date": row.birth_date, "therapy_started_on": row.therapy_started_on}
    if row.location:
        values["location"] = places[row.location]
    different = {name: value for name, value in values.items() if value and value != getattr(patient, name)}
    if not different:
        return
    fields = {name: (getattr(patient, name), value) for name, value in different.items()}
    changes.before.append(changed("patient", patient.pk, fields))
    for name, value in different.items():
        setattr(patient, name, value)
    changes.changed.append(patient)
    changes.changed_fields |= different.keys()
    if "email" in different:
        changes.new_addresses.append(patient)


def _void_coverage_of_the_day(covered: list[tuple[Patient, Payer | None]], mark: Stamp) -> list[int]:
    """Take back coverage that starts on the very day another payer starts; returns which."""
    voided: list[int] = []
    by_day: dict[date, list[int]] = defaultdict(list)
    for patient, _ in covered:
        by_day[local_day(mark["recorded_at"], patient.time_zone)].append(patient.pk)
    for day, patient_ids in by_day.items():
        for some in chunks(patient_ids):
            same_day = Coverage.objects.filter(patient_id__in=some, starts_on=day, voided_at=None)
            ids = list(same_day.values_list("pk", flat=True))
            Coverage.objects.filter(pk__in=ids).update(
                voided_at=mark["recorded_at"],
                voided_by_id=mark["recorded_by_id"],
                void_reason=REPLACED,
            )
            voided += ids
    return voided


def _write_consents(patients: list[Patient], batch: ImportBatch, mark: Stamp) -> int:
    """A yes to mail for patients about whose mail nothing was ever recorded.

    What an import since undone recorded does not count.
    """
    asked: set[int] = set()
    for some in chunks([patient.pk for patient in patients]):
        found = Consent.objects.filter(patient_id__in=some, channel=Channel.MAIL).filter(
            batch__undone_at=None
        )
        asked.update(found.values_list("patient_id", flat=True))
    consents = [
        Consent(
            patient=patient,
            channel=Channel.MAIL,
            granted=True,
            given_on=local_day(mark["recorded_at"], patient.time_zone),
            how=HOW_CONSENTED,
            batch=batch,
            **mark,
        )
        for patient in patients
        if patient.pk not in asked
    ]
    return len(Consent.objects.bulk_create(consents, batch_size=BATCH))
