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
    found: dict[int, tuple[Gap, ...]] = {}
    for looked, batch in enumerate(_batches(location_ids, kind, after), start=1):
        for patient, gaps in batch.items():
            if gaps:
                found[patient] = gaps
            if len(found) == PAGE:
                return LackingPage(_with_patients(found), patient)
        if looked * BATCH >= LOOKED_AT:
            return LackingPage(_with_patients(found), max(batch))
    return LackingPage(_with_patients(found), None)


def all_lacking(location_ids: Collection[int], *, kind: Kind | None = None) -> Iterator[Lacking]:
    """Every patient who lacks a line, some hundred at a time."""
    for batch in _batches(location_ids, kind, 0):
        yield from _with_patients({patient: gaps for patient, gaps in batch.items() if gaps})


def _batches(
    location_ids: Collection[int], kind: Kind | None, after: int
) -> Iterator[dict[int, tuple[Gap, ...]]]:
    """Patients on therapy in the order of their keys, with what they lack. Three queries a batch."""
    people = Patient.objects.filter(status=PatientStatus.ON_THERAPY)
    if location_ids:
        people = people.filter(location__in=sorted(location_ids))
    keys = people.order_by("pk").values_list("pk", flat=True)
    while batch := list(keys.filter(pk__gt=after)[:BATCH]):
        held = _held(batch)
        yield {
            patient: tuple(gap for gap in missing(held[patient]) if kind is None or kind in gap.kinds)
            for patient in batch
        }
        after = batch[-1]


def _with_patients(found: Mapping[int, tuple[Gap, ...]]) -> list[Lacking]:
    """Only who is shown is read whole: their addresses are encrypted. One query."""
    people = Patient.objects.select_related("location").in_bulk(found)
    return [Lacking(people[patient], gaps) for patient, gaps in found.items()]


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
