"""Which yes stands: the derived rows by which the desk's list finds refills to pack, kept with their causes.

Whoever writes an answer calls `settle` last; what was given or taken back settles with the plan (`plans`).
"""

from collections.abc import Collection

from resupply.models import StandingYes
from resupply.queries.answers import unused_yeses


def settle(patient_ids: Collection[int]) -> None:
    """Make the rows of these patients equal what their answers and dispenses say; under their locks."""
    found = unused_yeses(patient_ids).values_list("pk", "answer__patient", "kind")
    wanted = {item: (patient, kind) for item, patient, kind in found}
    stored = set(StandingYes.objects.filter(patient__in=patient_ids).values_list("pk", flat=True))
    if gone := stored - wanted.keys():
        StandingYes.objects.filter(pk__in=gone).delete()
    StandingYes.objects.bulk_create(
        StandingYes(item_id=item, patient_id=wanted[item][0], kind=wanted[item][1])
        for item in sorted(wanted.keys() - stored)
    )
