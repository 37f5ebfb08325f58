"""What patients do on their own page: tick off cleaning, choose its days, tell the clinic something, undo it.

Nobody is signed in here: rows carry no `recorded_by`, events and screens say `by_patient`. A yes about an
implant is never taken back from here, since magnets stop because of it.
"""

from datetime import date, datetime, timedelta

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.models import CleaningTick, Event, MagnetScreen, Patient, PatientReport, Told
from resupply.queries import own_page
from resupply.rules.kinds import Kind
from resupply.rules.magnets import Person, Said, implants
from resupply.services import events, plans, screening
from resupply.services.errors import Refused
from resupply.services.records import check_reason, local_day, stamp, take_back

UNDONE = "undone by the patient on the own page"
UNDO_WITHIN = timedelta(days=1)
LONGEST_NOTE = 500


def tick(patient: Patient, *, task: str, now: datetime) -> CleaningTick:
    """Tick a task of today's list off; ticking twice is one tick. Raises Refused `not_today`."""
    day = local_day(now, patient.time_zone)
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        listed = own_page.chores(patient, own_page.lines(patient), own_page.series(patient), day=day)
        if task not in {chore.task.code for chore in listed}:
            raise Refused("not_today", "This is not on today's list.")
        found, _ = CleaningTick.objects.get_or_create(
            patient=patient, day=day, task=task, voided_at=None, defaults=dict(stamp(None, now))
        )
    return found


def untick(patient: Patient, *, task: str, now: datetime) -> None:
    """Take today's tick of a task back; where there is none, nothing happens."""
    day = local_day(now, patient.time_zone)
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        for row in CleaningTick.objects.filter(patient=patient, day=day, task=task, voided_at=None):
            take_back(row, reason=UNDONE, by=None, now=now)


def set_cleaning_days(
    patient: Patient, *, weekday: int, month_day: int, hour: int | None, now: datetime
) -> None:
    """Choose the days of the weekly and the monthly checklist, and the hour of all (None: no hour).

    Raises Refused `weekday`, `month_day`, `hour`.
    """
    if not 0 <= weekday <= 6:
        raise Refused("weekday", "Choose a day of the week.", "weekday")
    if not 1 <= month_day <= 31:
        raise Refused("month_day", "Choose a day from 1 to 31.", "month_day")
    if hour is not None and not 0 <= hour <= 23:
        raise Refused("hour", "Choose an hour from 0 to 23, or none.", "hour")
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        patient.cleaning_weekday, patient.cleaning_month_day = weekday, month_day
        patient.cleaning_hour = hour
        patient.save(update_fields=["cleaning_weekday", "cleaning_month_day", "cleaning_hour"])
        plans.refresh_plans([patient.pk], now=now)


def report(patient: Patient, *, told: str, note: str, now: datetime) -> PatientReport:
    """Tell of a leak, a sore spot, or an illness. Raises Refused `told`, `note_long`."""
    if told not in (Told.LEAK, Told.SORE, Told.ILL):
        raise Refused("told", "Choose what to tell.", "told")
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        return _told_before(patient, told, note, now) or _report(patient, told, now, note=note)


def stop_using(patient: Patient, *, why: str, now: datetime) -> PatientReport:
    """The equipment is not in use: therapy pauses from today, and somebody is to call.

    Raises Refused: `note_long`, and `overlap` where a pause is on record already.
    """
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        if told := _told_before(patient, Told.UNUSED, why, now):
            return told
        return _report(patient, Told.UNUSED, now, note=why, event=_pause(patient, now))


def use_again(patient: Patient, *, now: datetime) -> Event:
    """Therapy goes on from today: the open pause ends; one begun today is taken back. Raises Refused
    `not_open`.
    """
    today = local_day(now, patient.time_zone)
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        pause = own_page.open_pause(patient, today=today)
        if pause is None:
            raise Refused("not_open", "There is no pause on record.")
        if pause.on >= today:
            return events.void_event(pause, reason="used again on the same day", by=None, now=now)
        return events.end_pause(pause, until=today, by=None, now=now)


def pause_again(patient: Patient, *, now: datetime) -> Event:
    """Undo `use_again` on the same day: the pause goes on from today. Raises Refused `overlap`."""
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        return _pause(patient, now)


def changed(patient: Patient, *, kind: str, now: datetime) -> tuple[Event, PatientReport | None]:
    """A part was changed today. With no spare on record it is kept all the same, and a person is to look.

    Raises Refused `kind`, `already`.
    """
    today = local_day(now, patient.time_zone)
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        try:
            swap = events.record_swap(patient=patient, kind=kind, on=today, by=None, now=now, by_patient=True)
        except Refused as refusal:
            if refusal.code != "no_spare":
                raise
            swap = events.record_swap(
                patient=patient, kind=kind, on=today, by=None, now=now, by_patient=True, keep_anyway=True
            )
            return swap, _report(patient, Told.CHANGED, now, kind=Kind(kind).value, event=swap)
    return swap, None


def report_implant(patient: Patient, *, person: str, code: str, now: datetime) -> MagnetScreen:
    """An implant or object of the patient or of someone close: magnetic parts stop at once.

    What was not asked stays "not known". Raises Refused `person`, `implant`.
    """
    if person not in list(Person):
        raise Refused("person", "Choose who has it.", "person")
    if code not in implants() or implants()[code].exempt:
        raise Refused("implant", "Choose what it is.", "implant")
    said = {code: Said.YES.value}
    return screening.record_screen(
        patient=patient,
        asked_on=local_day(now, patient.time_zone),
        wearer=said if person == Person.WEARER else {},
        close_contact=said if person == Person.CLOSE_CONTACT else {},
        by=None,
        now=now,
        by_patient=True,
    )


def undo_report(report: PatientReport, *, now: datetime) -> None:
    """Take a report back with the pause or swap that came with it.

    Raises Refused `too_late`: a day has passed, or somebody has seen to it.
    """
    with transaction.atomic():
        plans.lock_patients([report.patient_id])
        report.refresh_from_db()
        if report.is_voided or report.handled_at or now - report.recorded_at > UNDO_WITHIN:
            raise _too_late()
        take_back(report, reason=UNDONE, by=None, now=now)
        if report.event is not None and not report.event.is_voided:
            events.void_event(report.event, reason=UNDONE, by=None, now=now)


def undo_change(event: Event, *, now: datetime) -> None:
    """Take a part change back. Raises Refused `too_late`."""
    with transaction.atomic():
        plans.lock_patients([event.patient_id])
        event.refresh_from_db()
        if not event.by_patient or event.is_voided or now - event.recorded_at > UNDO_WITHIN:
            raise _too_late()
        events.void_event(event, reason=UNDONE, by=None, now=now)


def handle(report: PatientReport, *, note: str, by: AbstractBaseUser | None, now: datetime) -> PatientReport:
    """A person saw to a report. Raises Refused: `already_handled`, `reason_missing`, `reason_long`."""
    note = check_reason(note)
    with transaction.atomic():
        plans.lock_patients([report.patient_id])
        report.refresh_from_db()
        if report.handled_at or report.is_voided:
            raise Refused("already_handled", "Somebody has handled this already, or it was taken back.")
        report.handled_at, report.handled_note = now, note
        report.handled_by_id = by.pk if by is not None else None
        report.save(update_fields=["handled_at", "handled_by", "handled_note"])
    return report


def _pause(patient: Patient, now: datetime) -> Event:
    today = local_day(now, patient.time_zone)
    return events.record_pause(patient=patient, on=today, until=None, by=None, now=now, by_patient=True)


def _told_before(patient: Patient, told: str, note: str, now: datetime) -> PatientReport | None:
    """The same told today and not seen to, its pause (if any) open: a form sent twice tells it once."""
    return PatientReport.objects.filter(
        patient=patient, told=told, note=note.strip(), on=local_day(now, patient.time_zone),
        handled_at=None, voided_at=None, event__voided_at=None, event__until=None,
    ).first()  # fmt: skip


def _report(
    patient: Patient,
    told: str,
    now: datetime,
    *,
    note: str = "",
    kind: str = "",
    event: Event | None = None,
) -> PatientReport:
    note = note.strip()
    if len(note) > LONGEST_NOTE:
        raise Refused("note_long", f"Keep it to {LONGEST_NOTE} characters.", "note")
    day: date = local_day(now, patient.time_zone)
    return PatientReport.objects.create(
        patient=patient, told=told, on=day, kind=kind, note=note, event=event, **stamp(None, now)
    )


def _too_late() -> Refused:
    return Refused("too_late", "This cannot be undone here any more.")
