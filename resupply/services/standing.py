"""Which yes stands: the derived rows by which the desk's list finds refills to pack, kept with their causes.

Whoever writes an answer calls `settle` last; what was given or taken back settles with the plan (`plans`).
"""

from collections.abc import Collection, Iterable
from typing import Any

from resupply.models import Patient, StandingYes
from resupply.queries.answers import yes_columns


def settle(patient_ids: Collection[int]) -> None:
    """Make the rows of these patients equal what their answers and dispenses say; under their locks."""
    settle_read(Patient.objects.filter(pk__in=patient_ids).annotate(**yes_columns()))


def settle_read(patients: Iterable[Any]) -> None:
    """The same for patients read with `yes_columns`; no query where nothing differs."""
    gone: set[int] = set()
    new: list[StandingYes] = []
    for patient in patients:
        unused = (found.split() for found in patient.unused_yeses)
        wanted = {int(item): kind for item, kind in unused}
        stored = set(patient.stored_yeses)
        gone |= stored - wanted.keys()
        new += [
            StandingYes(item_id=item, patient_id=patient.pk, kind=wanted[item])
            for item in sorted(wanted.keys() - stored)
        ]
    if gone:
        StandingYes.objects.filter(pk__in=gone).delete()
    StandingYes.objects.bulk_create(new)
