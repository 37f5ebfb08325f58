"""Reminders into the outbox: what the plans say is due, as messages with their reasons.

The database is asked what is due, so it does not matter how often or by how many this runs, or how long it
did not: a step is written about once (`MessageReason`), a patient once a day (`Message`), and only the
highest step reached counts. Both are unique constraints; of two sweeps at once, the second waits for the
first and adds nothing.
"""

from collections.abc import Iterable, Mapping
from datetime import datetime
from itertools import groupby

from django.db import transaction

from resupply.models import Channel, Message, MessageReason
from resupply.queries.reminders import DueLine, due_lines, windows
from resupply.rules.reminders import Window

PURPOSE = "refill"


def enqueue_due(*, now: datetime, limit: int = 1000) -> int:
    """Queue a message for every patient with something new to say, and return how many were added.

    A message belongs to the patient's day on which it may next be sent: within sending hours today, at night
    the coming day. All lines of a patient go into one. A transaction writes at most `limit` lines.
    """
    openings = windows(now=now)
    added = 0
    for day in sorted({window.day for window in openings.values()}):
        zones = {zone: window for zone, window in openings.items() if window.day == day}
        after = 0
        while lines := due_lines(day=day, zones=zones.keys(), after=after, limit=limit):
            added += _enqueue(lines, zones, now=now)
            after = lines[-1].patient_id
    return added


@transaction.atomic
def _enqueue(lines: Iterable[DueLine], openings: Mapping[str, Window], *, now: datetime) -> int:
    """Write the messages of whole patients; a patient who got a message of that day meanwhile is left out."""
    by_patient = {patient: list(group) for patient, group in groupby(lines, key=lambda line: line.patient_id)}
    wanted = [_message(patient, openings[group[0].zone], now) for patient, group in by_patient.items()]
    Message.objects.bulk_create(wanted, ignore_conflicts=True)
    ours = Message.objects.filter(public_id__in=[message.public_id for message in wanted])
    added = {message.patient_id: message for message in ours}
    MessageReason.objects.bulk_create(
        (
            MessageReason(
                message=message,
                patient_id=patient,
                kind=line.kind,
                step=line.step,
                supply_ends_on=line.supply_ends_on,
            )
            for patient, message in added.items()
            for line in by_patient[patient]
        ),
        ignore_conflicts=True,
    )
    return len(added)


def _message(patient_id: int, window: Window, now: datetime) -> Message:
    return Message(
        patient_id=patient_id,
        channel=Channel.MAIL,
        purpose=PURPOSE,
        day=window.day,
        created_at=now,
        not_before=window.opens_at,
        expires_at=window.closes_at,
    )
