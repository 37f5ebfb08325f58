"""Recalls that stand, and whether one of them names a part.

A recall names a part by any of item, mask family, billing code and lot. Every one that it fills must be the
part's; a lot is compared without blanks around it and whatever its capitals, since it is typed from a label.
"""

from collections import Counter
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import date
from uuid import UUID

from django.db.models import F, Q, QuerySet
from django.db.models.lookups import IsNull

from resupply.models import CatalogueItem, DispenseLine, Patient, Recall
from resupply.queries import facts
from resupply.rules.wear import Start, walk


@dataclass(frozen=True, slots=True)
class RecallFacts:
    """A standing recall; an empty field (None for the item) does not narrow it."""

    public_id: UUID
    title: str
    issued_on: date
    source: str
    advice: str
    item_id: int | None
    family: str
    part_code: str
    lot: str


def standing() -> list[RecallFacts]:
    """Recalls that have not been voided, newest first. One query."""
    found = Recall.objects.filter(voided_at=None).order_by("-issued_on", "-pk")
    return [
        RecallFacts(
            public_id=recall.public_id,
            title=recall.title,
            issued_on=recall.issued_on,
            source=recall.source,
            advice=recall.advice,
            item_id=recall.item_id,
            family=recall.family,
            part_code=recall.part_code,
            lot=recall.lot,
        )
        for recall in found
    ]


def hits(
    recalls: Iterable[RecallFacts], *, item_id: int | None, family: str, part_code: str, lot: str
) -> RecallFacts | None:
    """The first recall that names a part; None: none does. An unknown lot is not the recalled one."""
    for recall in recalls:
        if _names(recall, item_id, family, part_code) and (not recall.lot or same_lot(recall.lot, lot)):
            return recall
    return None


def depends_on_lot(
    recalls: Iterable[RecallFacts], *, item_id: int | None, family: str, part_code: str
) -> RecallFacts | None:
    """The first recall of some lots of a part: without its lot nobody knows whether it is one of them.

    A recall that names a lot and nothing else fits every part, and tells nothing about this one.
    """
    some = (r for r in recalls if r.lot and (r.item_id is not None or r.family or r.part_code))
    return next((recall for recall in some if _names(recall, item_id, family, part_code)), None)


def same_lot(one: str, other: str) -> bool:
    """Whether two lots are the same, as typed from labels."""
    return one.strip().casefold() == other.strip().casefold()


def _names(recall: RecallFacts, item_id: int | None, family: str, part_code: str) -> bool:
    """Whether the recall fits a part, its lot aside."""
    return (
        (recall.item_id is None or recall.item_id == item_id)
        and (not recall.family or recall.family.casefold() == family.strip().casefold())
        and (not recall.part_code or recall.part_code == part_code)
    )


MOST_COUNTED = 10_000
"""Lines counted for a recall; beyond them the page says "more than"."""
PAGE = 50
"""Lines on a page of those a recall names."""


@dataclass(frozen=True, slots=True)
class Named:
    """A dispense line that a recall names, and how many of its units are in use or spare as records have it.

    Worn parts may still lie in a drawer, so a line without any is listed all the same.
    """

    line: DispenseLine
    holds: int


def all_recalls() -> list[Recall]:
    """Every recall, those that stand first, then the newest; with item and people. One query."""
    rows = Recall.objects.select_related("item", "recorded_by", "voided_by")
    return list(rows.order_by(IsNull(F("voided_at"), False), "-issued_on", "-pk"))


def naming(item: CatalogueItem) -> list[Recall]:
    """Standing recalls that name an item, its family or its code, in all lots or some; newest first."""
    rows = Recall.objects.filter(
        Q(item=item) | Q(item=None),
        Q(family="") | Q(family__iexact=item.family),
        Q(part_code="") | Q(part_code=item.part_code),
        voided_at=None,
    ).exclude(item=None, family="", part_code="")
    return list(rows.order_by("-issued_on", "-pk"))


def touched(recall: Recall) -> QuerySet[DispenseLine]:
    """The standing dispense lines that a recall names, whoever supplied them, within its days of dispense."""
    lines = DispenseLine.objects.filter(voided_at=None)
    if recall.item_id is not None:
        lines = lines.filter(item=recall.item_id)
    if recall.family:
        lines = lines.filter(family__iexact=recall.family)
    if recall.part_code:
        lines = lines.filter(part_code=recall.part_code)
    if recall.lot:
        lines = lines.exclude(lot="").filter(lot__iexact=recall.lot)  # lots are stored without blanks around
    if recall.given_from:
        lines = lines.filter(dispense__dispensed_on__gte=recall.given_from)
    if recall.given_until:
        lines = lines.filter(dispense__dispensed_on__lte=recall.given_until)
    return lines


def count_touched(recall: Recall) -> int:
    """How many lines a recall names, counted up to one more than `MOST_COUNTED`. One query."""
    return touched(recall).order_by()[: MOST_COUNTED + 1].count()


def named_lines(
    recall: Recall, *, among: QuerySet[Patient], today: date, page: int
) -> tuple[list[Named], bool]:
    """One page (from 1) of the lines a recall names of some patients, newest first; whether more follow."""
    lines = touched(recall).filter(dispense__patient__in=among).select_related("dispense__patient", "item")
    start = (page - 1) * PAGE
    found = list(lines.order_by("-dispense__dispensed_on", "-pk")[start : start + PAGE + 1])
    shown = found[:PAGE]
    holds = units_held({line.dispense.patient_id for line in shown}, today=today)
    return [Named(line, holds[facts.line_ref(line.pk)]) for line in shown], len(found) > PAGE


def units_held(patient_ids: Collection[int], *, today: date) -> Counter[str]:
    """Units in use or spare by the delivery they came with. Three queries, however many patients."""
    policy = facts.policy()
    units = (
        unit.spare.ref
        for known in facts.patient_facts(patient_ids).values()
        for line in walk(known, policy, as_of=today)
        for unit in [*([line.in_use] if line.in_use else []), *line.projected]
        if unit.how is not Start.CONTAINED
    )
    return Counter(units)
