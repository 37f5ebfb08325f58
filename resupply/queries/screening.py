"""Screens about magnets: what stops magnetic items for a patient, and which magnetic parts patients hold.

Every answer comes from the rule (`rules.magnets`) over all standing screens of a patient in the order of
recording; nothing here decides by itself. None of it tells which implant or object was named.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import count
from typing import Any

from django.contrib.postgres.expressions import ArraySubquery
from django.db.models import Exists, OuterRef, Q, QuerySet, Subquery
from django.db.models.functions import Greatest, JSONObject

from resupply.models import (
    CatalogueItem,
    Contact,
    DispenseLine,
    Magnetic,
    MagnetScreen,
    Outcome,
    Patient,
    PatientStatus,
)
from resupply.queries import facts
from resupply.rules.kinds import Kind
from resupply.rules.magnets import (
    Person,
    Reason,
    Said,
    ScreenFacts,
    Verdict,
    implants,
    may_hold_magnets,
    standing,
    verdict,
)
from resupply.rules.wear import LineWear, UnitWear, walk

MOST_URGENT = 40
"""Calls on one list: more than a day's work."""
LOOKED_AT = 40
"""Patients at once for whom the rules are asked."""
_COUNTED = ("asked_on", "wearer", "close_contact", "cleared_reason")


@dataclass(frozen=True, slots=True)
class HeldPart:
    """Units of one dispense line that a patient has in use or as spares, and that may hold magnets."""

    kind: Kind
    part_code: str
    name: str
    """Name of the item; empty where only its billing code is known."""
    is_certain: bool
    """Whether the item is known to hold magnets; else it is not known, which counts the same."""
    in_use: bool
    units: int
    dispensed_on: date


@dataclass(frozen=True, slots=True)
class Urgent:
    """A patient with a yes on record who holds magnetic parts and was not reached since."""

    patient: Patient
    asked_on: date
    parts: list[HeldPart]


def to_facts(row: MagnetScreen) -> ScreenFacts:
    """A screen as the rule reads it."""
    return _facts((row.asked_on, row.wearer, row.close_contact, row.cleared_reason))


def newest_screen(patient_id: int) -> ScreenFacts | None:
    """What counts of a patient's screens: the newest, with every yes not cleared since. One query."""
    return _counting([patient_id]).get(patient_id)


def blocks_magnets(patient_ids: Collection[int], *, today: date) -> set[int]:
    """Those of the patients who are given no magnetic items today. One query."""
    found = _counting(patient_ids)
    return {patient for patient in patient_ids if verdict(found.get(patient), as_of=today).blocked}


def givable(patient_id: int, items: Iterable[CatalogueItem], *, today: date) -> list[CatalogueItem]:
    """Of these items, those a patient may be given as far as magnets go: all, or those without. One query."""
    found = list(items)
    if patient_id not in blocks_magnets([patient_id], today=today):
        return found
    return [item for item in found if not may_hold_magnets(Kind(item.kind), item.magnetic)]


def column() -> ArraySubquery:
    """An expression for a query on patients; `read` makes a verdict of what it gives."""
    screens = MagnetScreen.objects.filter(patient=OuterRef("pk"), voided_at=None).order_by("pk")
    return ArraySubquery(screens.values(found=JSONObject(**{name: name for name in _COUNTED})))


def read(found: Iterable[Mapping[str, Any]] | None, *, today: date) -> Verdict:
    """The verdict of a row of such a query."""
    screens = [
        _facts((date.fromisoformat(one["asked_on"]), *(one[name] for name in _COUNTED[1:])))
        for one in found or ()
    ]
    return verdict(standing(screens), as_of=today)


def screens(patient: Patient) -> list[MagnetScreen]:
    """All screens of a patient, voided ones too, newest first."""
    rows = MagnetScreen.objects.filter(patient=patient).select_related("recorded_by", "voided_by")
    return list(rows.order_by("-pk"))


def named(rows: Iterable[MagnetScreen]) -> dict[Person, list[str]]:
    """Codes of the list answered with a yes that holds, by person: out of standing screens in the order of
    recording. For those who care for the patient only.
    """
    found: dict[Person, list[str]] = {person: [] for person in Person}
    for row in rows:
        for person, before in found.items():
            said = row.details.get(person, {})
            kept = [] if row.cleared_reason else before
            found[person] = [
                code for code, implant in implants().items()
                if not implant.exempt and (code in kept or said.get(code) == Said.YES)
            ]  # fmt: skip
    return found


def held_parts(patient_ids: Collection[int], *, today: date) -> dict[int, list[HeldPart]]:
    """The parts with magnets, or perhaps with magnets, that patients have in use or as spares. Parts packed
    with a mask count where their kind may hold magnets. As many queries for one patient as for many.
    """
    known = facts.patient_facts(patient_ids)
    policy = facts.policy()
    wear = {patient: walk(of, policy, as_of=today) for patient, of in known.items()}
    rows = DispenseLine.objects.filter(dispense__patient__in=patient_ids, voided_at=None)
    lines = {facts.line_ref(row.pk): row for row in rows.select_related("item", "dispense")}
    return {patient: _held(of, lines) for patient, of in wear.items()}


def urgent(location_ids: Collection[int], *, today: date) -> list[Urgent]:
    """Patients on therapy with a yes on record who hold parts that may be magnetic and whom nobody has
    reached since that yes, or the last such part, was recorded; the longest-waiting first, `MOST_URGENT` at
    most. Those whom the rules let go are passed over, however many there are.
    """
    found: list[Urgent] = []
    for start in count(0, LOOKED_AT):
        batch = list(_not_reached(location_ids)[start : start + LOOKED_AT])
        found += _urgent_of(batch, today=today)
        if len(batch) < LOOKED_AT or len(found) >= MOST_URGENT:
            break
    return found[:MOST_URGENT]


def _urgent_of(patients: Iterable[Patient], *, today: date) -> list[Urgent]:
    asked = {patient.pk: patient for patient in patients}
    counting = _counting(asked)
    positive = {
        pk: screen for pk, screen in counting.items() if verdict(screen, as_of=today).reason is Reason.YES
    }
    if not positive:
        return []
    held = held_parts(positive, today=today)
    return [Urgent(asked[pk], positive[pk].asked_on, held[pk]) for pk in asked if held.get(pk)]


def waits_for_call(patient: Patient) -> bool:
    """Whether parts were given that may be magnetic, and nobody has reached the patient since the newest
    yes.
    """
    return _not_reached(()).filter(pk=patient.pk).exists()


def _not_reached(location_ids: Collection[int]) -> QuerySet[Patient]:
    """Patients who may be urgent: the rules decide."""
    said_yes = MagnetScreen.objects.filter(
        Q(wearer=Said.YES.value) | Q(close_contact=Said.YES.value), patient=OuterRef("pk"), voided_at=None
    ).order_by("-pk")
    given = DispenseLine.objects.filter(
        Q(item__isnull=False) & ~Q(item__magnetic=Magnetic.NO)
        | Q(item=None, kind__in=[kind.value for kind in Kind if may_hold_magnets(kind, None)]),
        dispense__patient=OuterRef("pk"),
        voided_at=None,
    ).order_by("-recorded_at")
    reached = Contact.objects.filter(
        patient=OuterRef("pk"), outcome=Outcome.REACHED, voided_at=None, recorded_at__gte=OuterRef("since")
    )
    rows = (
        Patient.objects.filter(status=PatientStatus.ON_THERAPY)
        .annotate(
            yes_at=Subquery(said_yes.values("recorded_at")[:1]),
            given_at=Subquery(given.values("recorded_at")[:1]),
            since=Greatest("yes_at", "given_at"),
        )
        .filter(yes_at__isnull=False, given_at__isnull=False)
        .exclude(Exists(reached))
        .select_related("location")
        .order_by("since", "pk")
    )
    return rows.filter(location__in=sorted(location_ids)) if location_ids else rows


def _counting(patient_ids: Iterable[int]) -> dict[int, ScreenFacts]:
    """The screen that counts, by patient."""
    rows = MagnetScreen.objects.filter(patient__in=list(patient_ids), voided_at=None).order_by("pk")
    found: dict[int, list[ScreenFacts]] = defaultdict(list)
    for patient, *fields in rows.values_list("patient_id", *_COUNTED):
        found[patient].append(_facts(fields))
    return {patient: screen for patient, of in found.items() if (screen := standing(of)) is not None}


def _facts(fields: Sequence[Any]) -> ScreenFacts:
    asked_on, wearer, close_contact, cleared_reason = fields
    return ScreenFacts(asked_on, Said(wearer), Said(close_contact), bool(cleared_reason))


def _held(wear: Iterable[LineWear], lines: Mapping[str, DispenseLine]) -> list[HeldPart]:
    found: dict[tuple[Kind, str, bool], list[UnitWear]] = defaultdict(list)
    for line in wear:
        for unit in (*((line.in_use,) if line.in_use else ()), *line.projected):
            found[line.kind, unit.spare.ref, unit is line.in_use].append(unit)
    parts = (
        _part(kind, lines[ref], units, in_use=in_use)
        for (kind, ref, in_use), units in found.items()
        if ref in lines
    )
    return [part for part in parts if part is not None]


def _part(kind: Kind, row: DispenseLine, units: Sequence[UnitWear], *, in_use: bool) -> HeldPart | None:
    is_contained = kind != row.kind
    magnetic = row.item.magnetic if row.item else None
    if is_contained and not may_hold_magnets(kind, None):
        return None
    if not may_hold_magnets(kind, magnetic):
        return None
    return HeldPart(
        kind,
        units[0].spare.code,
        str(row.item) if row.item else "",
        magnetic == Magnetic.YES,
        in_use,
        len(units),
        row.dispense.dispensed_on,
    )
