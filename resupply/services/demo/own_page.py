"""The demo's own pages: a month of ticks for one patient, two reports that wait for a person, and a link."""

from datetime import date, datetime, timedelta

from resupply.models import CleaningTick, Patient, PatientLink, PatientReport, PatientStatus, Told
from resupply.queries import own_page
from resupply.services import doors
from resupply.services.demo.people import SIGNATURE_REFERENCE
from resupply.services.doors import IssuedLink

DAYS = 24
REPORTS = (
    (Told.LEAK, "at the left cheek, when I turn over"),
    (Told.SORE, "red on the bridge of the nose"),
)


def write_own_pages(*, today: date, now: datetime) -> None:
    """Ticks of the signature patient, who forgets every sixth day and leaves some tasks of every fourth; and
    reports of two other patients.
    """
    patient = Patient.objects.get(reference=SIGNATURE_REFERENCE)
    checklists = own_page.series(patient)
    CleaningTick.objects.bulk_create(
        CleaningTick(patient=patient, day=day, task=task, recorded_at=now - timedelta(days=back))
        for back in range(1, DAYS)
        if back % 6
        for day in [today - timedelta(days=back)]
        for task in sorted(own_page.due_on(patient, checklists, day))[: 1 if back % 4 == 0 else None]
    )
    others = Patient.objects.filter(status=PatientStatus.ON_THERAPY, plan_lines__kind="cushion")
    others = others.exclude(pk=patient.pk).filter(plan_lines__paused_from=None).order_by("pk").distinct()
    for number, ((told, note), person) in enumerate(zip(REPORTS, others[2:4], strict=False), start=1):
        at = now - timedelta(hours=5 * number)
        PatientReport.objects.create(
            patient=person, told=told, on=min(at.date(), today), note=note, recorded_at=at
        )


def renew_demo_link(*, now: datetime) -> IssuedLink | None:
    """A new link to the signature patient's own page, which ends the one before; None: no such patient."""
    patient = Patient.objects.filter(reference=SIGNATURE_REFERENCE).first()
    if patient is None:
        return None
    live = PatientLink.objects.filter(patient=patient, revoked_at=None).first()
    return doors.renew(live, by=None, now=now) if live else doors.issue(patient, by=None, now=now)
