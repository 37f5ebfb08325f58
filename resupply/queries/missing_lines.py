"""Patients on therapy who lack a line they should have, found patient by patient with the rule itself.

A page looks through `LOOKED_AT` patients at most, by key, and says where to go on: it costs the same whatever
the size of the clinic and however few lack anything.
"""

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass

from resupply.models import Device, Humidifier, Patient, PatientStatus, PlanLine
from resupply.rules.kinds import Kind
from resupply.rules.missing_lines import Gap, Held, missing

PAGE = 50
LOOKED_AT = 5_000
BATCH = 500


@dataclass(frozen=True, slots=True)
class Lacking:
    """A patient, and the lines that should be there."""

    patient: Patient
    gaps: tuple[Gap, ...]


@dataclass(frozen=True, slots=True)
class LackingPage:
    """Patients of one page; `after`: where to go on (None: that was all)."""

    rows: list[Lacking]
    after: int | None


def lacking_page(location_ids: Collection[int], *, kind: Kind | None = None, after: int = 0) -> LackingPage:
    """The next patients who lack a line (of a kind, if one is named), by key from above `after`."""
    rows: list[Lacking] = []
    for looked, batch in enumerate(_batches(location_ids, after), start=1):
        for patient, gaps in batch:
            if wanted := [gap for gap in gaps if kind is None or kind in gap.kinds]:
                rows.append(Lacking(patient, tuple(wanted)))
            if len(rows) == PAGE:
                return LackingPage(rows, patient.pk)
        if looked * BATCH >= LOOKED_AT:
            return LackingPage(rows, batch[-1][0].pk)
    return LackingPage(rows, None)


def all_lacking(location_ids: Collection[int], *, kind: Kind | None = None) -> Iterator[Lacking]:
    """Every patient who lacks a line, some hundred at a time."""
    for batch in _batches(location_ids, 0):
        for patient, gaps in batch:
            if wanted := [gap for gap in gaps if kind is None or kind in gap.kinds]:
                yield Lacking(patient, tuple(wanted))


def _batches(location_ids: Collection[int], after: int) -> Iterator[list[tuple[Patient, tuple[Gap, ...]]]]:
    """Patients on therapy by key, with what they lack. Three queries a batch."""
    people = Patient.objects.filter(status=PatientStatus.ON_THERAPY).select_related("location")
    if location_ids:
        people = people.filter(location__in=sorted(location_ids))
    while batch := list(people.filter(pk__gt=after).order_by("pk")[:BATCH]):
        held = _held([patient.pk for patient in batch])
        yield [(patient, missing(held[patient.pk])) for patient in batch]
        after = batch[-1].pk


def _held(patients: Collection[int]) -> Mapping[int, Held]:
    kinds: dict[int, set[Kind]] = {pk: set() for pk in patients}
    masks: dict[int, str] = {}
    lines = PlanLine.objects.filter(patient__in=patients).order_by()
    for patient, kind, code in lines.values_list("patient", "kind", "part_code"):
        kinds[patient].add(Kind(kind))
        if kind == Kind.MASK:
            masks[patient] = code
    newest = Device.objects.filter(patient__in=patients, voided_at=None)
    newest = newest.order_by("patient_id", "-supplied_on", "-pk").distinct("patient_id")
    humidified = {
        patient
        for patient, humidifier in newest.values_list("patient", "humidifier")
        if humidifier != Humidifier.NONE
    }
    return {pk: Held(frozenset(kinds[pk]), masks.get(pk), pk in humidified) for pk in patients}
