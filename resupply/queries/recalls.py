"""Recalls that stand, and whether one of them names a part.

A recall names a part by any of item, mask family, billing code and lot. Every one that it fills must be the
part's; a lot is compared without blanks around it and whatever its capitals, since it is typed from a label.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from uuid import UUID

from resupply.models import Recall


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
    """The first recall that names a lot and otherwise fits a part: its lot has to be read off the label."""
    return next((r for r in recalls if r.lot and _names(r, item_id, family, part_code)), None)


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
