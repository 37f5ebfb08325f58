"""Writes about people: patients, who pays for them, and what they agreed to."""

from dataclasses import dataclass
from datetime import date, datetime

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import IntegrityError, transaction

from resupply.delivery.texts import WORDS, NumberError, textable
from resupply.models import (
    Channel,
    Consent,
    Coverage,
    Language,
    Location,
    Patient,
    PatientStatus,
    Payer,
)
from resupply.rules.purposes import Purpose
from resupply.rules.zones import zone_named
from resupply.services import optouts, plans
from resupply.services.errors import Refused
from resupply.services.find_tokens import write_tokens
from resupply.services.importing.known import first_facts
from resupply.services.records import Stamp, check_ahead, check_day, local_day, said, stamp, take_back

_EARLIEST_BIRTH = date(1900, 1, 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class PatientDetails:
    """Everything about a patient that staff type. `cleaning_weekday` counts from Monday = 0."""

    reference: str
    given_name: str
    family_name: str
    birth_date: date
    location: Location
    email: str = ""
    phone: str = ""
    address: str = ""
    representative_name: str = ""
    representative_relation: str = ""
    language: str = Language.ENGLISH
    time_zone: str = "UTC"
    therapy_started_on: date | None = None
    cleaning_weekday: int = 6
    cleaning_month_day: int = 1


def create_patient(
    details: PatientDetails, *, by: AbstractBaseUser | None, now: datetime, payer: Payer | None = None
) -> Patient:
    """Add a patient; with `payer`, covered by it from the start of therapy (today where that is not known).

    Raises Refused: `reference_taken`, `birth_date`, `before_birth`, `too_far`, `time_zone`,
    `name_missing`, `closed`.
    """
    _check(details, now=now)
    _check_open(details.location)
    with transaction.atomic():
        plans.lock_patients([])  # the row is not there yet, but the policy must hold still
        patient = Patient(created_at=now, **_fields(details))
        _save(patient)
        write_tokens(patient)
        if payer is not None:
            starts_on = details.therapy_started_on or local_day(now, details.time_zone)
            Coverage.objects.create(patient=patient, payer=payer, starts_on=starts_on, **stamp(by, now))
        plans.refresh_plans([patient.pk], now=now)
    return patient


def update_patient(patient: Patient, details: PatientDetails, *, now: datetime) -> Patient:
    """Correct a patient's details; refuses what `create_patient` does, and a birth date after what is on
    record.
    """
    _check(details, now=now)
    if details.location.pk != patient.location_id:
        _check_open(details.location)
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        first = first_facts([patient.pk]).get(patient.pk)
        if first is not None and first < details.birth_date:
            raise Refused(
                "birth_date",
                f"Something is on record of {said(first)}, before this date of birth.",
                "birth_date",
            )
        for name, value in _fields(details).items():
            setattr(patient, name, value)
        _save(patient)
        write_tokens(patient)
        plans.refresh_plans([patient.pk], now=now)
    return patient


def change_status(patient: Patient, status: str, *, now: datetime) -> Patient:
    """Put a patient on therapy or off it.

    Raises Refused `status` for an unknown one, and for the one that only
    the undo of an import gives.
    """
    if status not in PatientStatus.values or status == PatientStatus.WITHDRAWN:
        raise Refused("status", "Choose one of the listed states.", "status")
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        patient.status = status
        patient.save(update_fields=["status"])
        plans.refresh_plans([patient.pk], now=now)
    return patient


def set_coverage(
    patient: Patient, payer: Payer | None, *, starts_on: date, by: AbstractBaseUser | None, now: datetime
) -> Coverage:
    """From a day on this payer pays (None: the patient); an earlier record of that very day is voided.

    Raises Refused: `before_birth`, `too_far`.
    """
    today = local_day(now, patient.time_zone)
    check_day(patient, starts_on, today=today, field="starts_on", ahead=True)
    check_ahead(starts_on, today=today, what="a start", field="starts_on")
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        for earlier in Coverage.objects.filter(patient=patient, starts_on=starts_on, voided_at=None):
            take_back(earlier, reason="replaced by another payer from the same day", by=by, now=now)
        coverage = Coverage.objects.create(
            patient=patient, payer=payer, starts_on=starts_on, **stamp(by, now)
        )
        plans.refresh_plans([patient.pk], now=now)
    return coverage


def give_consent(
    patient: Patient,
    channel: str,
    *,
    given_on: date,
    how: str,
    by: AbstractBaseUser | None,
    now: datetime,
    purpose: str = "",
    on_paper: bool = False,
) -> Consent:
    """Record a patient's yes to messages on a channel, for a purpose (empty: every one), and how it was
    given.

    Raises Refused: `channel`, `purpose`, `how_missing`, `no_text_number`, and what `check_day` raises.
    """
    return _consent(Said(patient, channel, purpose, True, given_on, how, on_paper), stamp(by, now), now)


def withdraw_consent(
    patient: Patient,
    channel: str,
    *,
    given_on: date,
    how: str,
    by: AbstractBaseUser | None,
    now: datetime,
    purpose: str = "",
    on_paper: bool = False,
) -> Consent:
    """Record a patient's no, as `give_consent` records a yes; the newest record counts."""
    return _consent(Said(patient, channel, purpose, False, given_on, how, on_paper), stamp(by, now), now)


def check_text_number(phone: str, *, field: str) -> None:
    """Refuse a number that takes no texts, with what is wrong: `no_text_number`."""
    try:
        textable(phone)
    except NumberError as error:
        raise Refused("no_text_number", WORDS[error.code], field) from None


def _fields(details: PatientDetails) -> dict[str, object]:
    """Model fields, blanks around what was typed removed."""
    values: dict[str, object] = {
        name: getattr(details, name).strip()
        if isinstance(getattr(details, name), str)
        else getattr(details, name)
        for name in PatientDetails.__slots__
    }
    return values


def _check_open(location: Location) -> None:
    """Nobody new belongs to a closed location."""
    if location.closed_on is not None:
        raise Refused("closed", f"{location.name} is closed. Choose a location that is open.", "location")


def _check(details: PatientDetails, *, now: datetime) -> None:
    """Refuse details that no patient can have."""
    if not details.given_name.strip() and not details.family_name.strip():
        raise Refused("name_missing", "Enter at least one name.", "family_name")
    if not details.reference.strip():
        raise Refused("reference_missing", "Enter the clinic's reference for this patient.", "reference")
    if zone_named(details.time_zone).key != details.time_zone:
        raise Refused("time_zone", "Choose a time zone such as America/Denver.", "time_zone")
    today = local_day(now, details.time_zone)
    if not _EARLIEST_BIRTH <= details.birth_date <= today:
        raise Refused(
            "birth_date", "Enter the date of birth; it cannot lie ahead or before 1900.", "birth_date"
        )
    if details.therapy_started_on and details.therapy_started_on < details.birth_date:
        raise Refused("before_birth", "Therapy cannot start before birth.", "therapy_started_on")
    if details.therapy_started_on:
        check_ahead(details.therapy_started_on, today=today, what="a start", field="therapy_started_on")


def _save(patient: Patient) -> None:
    """Save; two patients cannot share a reference."""
    try:
        with transaction.atomic():
            patient.save()
    except IntegrityError as error:
        if "reference" not in str(error):
            raise
        withdrawn = Patient.objects.filter(reference=patient.reference, status=PatientStatus.WITHDRAWN)
        if withdrawn.exists():
            raise Refused(
                "reference_taken",
                "A patient of an import that was undone has this reference. Import that patient again, or "
                "choose another reference.",
                "reference",
            ) from None
        raise Refused(
            "reference_taken",
            "Another patient has this reference. Check that this person is not on record already.",
            "reference",
        ) from None


@dataclass(frozen=True, slots=True)
class Said:
    """A yes or no as it was given."""

    patient: Patient
    channel: str
    purpose: str
    granted: bool
    given_on: date
    how: str
    on_paper: bool


def _consent(said: Said, mark: Stamp, now: datetime) -> Consent:
    """Append a yes or no; it changes no plan, but the patient is locked so that two answers have an order.

    A no to a channel cancels what waits there, a no to a purpose what waits there of that purpose.
    """
    if said.channel not in Channel.values:
        raise Refused("channel", "Choose one of the listed channels.", "channel")
    if said.purpose and said.purpose not in set(Purpose):
        raise Refused("purpose", "Choose one of the listed purposes.", "purpose")
    if not said.how.strip():
        raise Refused("how_missing", "Say how the patient answered, for example: at the desk.", "how")
    patient = said.patient
    check_day(patient, said.given_on, today=local_day(now, patient.time_zone), field="given_on")
    if said.granted and said.channel == Channel.TEXT:
        check_text_number(patient.phone, field="channel")
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        if not said.granted and said.purpose:
            optouts.drop_purposes(patient, said.channel, [said.purpose], now=now)
        elif not said.granted:
            optouts.drop_waiting(patient, (said.channel,), now=now)
        return Consent.objects.create(
            patient=patient,
            channel=said.channel,
            purpose=said.purpose,
            granted=said.granted,
            given_on=said.given_on,
            how=said.how.strip(),
            on_paper=said.on_paper,
            **mark,
        )
