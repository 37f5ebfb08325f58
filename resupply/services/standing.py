"""Which yes stands: the derived rows by which the desk's list finds refills to pack, kept with their causes.

Whoever writes an answer calls `settle` last; what was given or taken back settles with the plan (`plans`).
"""

from collections.abc import Collection, Iterable

from resupply.models import StandingYes
from resupply.queries.answers import yes_rows


def settle(patient_ids: Collection[int]) -> None:
    """Make the rows of these patients equal what their answers and dispenses say; under their locks."""
    settle_read(yes_rows(patient_ids))


def settle_read(patients: Iterable[tuple[int, list[str], list[int]]]) -> None:
    """The same for what `yes_rows` reads; no query where nothing differs."""
    gone: set[int] = set()
    new: list[StandingYes] = []
    for patient, unused, on_record in patients:
        wanted = {int(item): kind for item, kind in (found.split() for found in unused)}
        stored = set(on_record)
        gone |= stored - wanted.keys()
        new += [
            StandingYes(item_id=item, patient_id=patient, kind=wanted[item])
            for item in sorted(wanted.keys() - stored)
        ]
    if gone:
        StandingYes.objects.filter(pk__in=gone).delete()
    StandingYes.objects.bulk_create(new)
