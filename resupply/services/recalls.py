"""Recalls and holds: what they name is not dispensed while they stand, whatever reason is typed."""

from dataclasses import dataclass
from datetime import date, datetime

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.models import CatalogueItem, Recall
from resupply.rules.tables import part_types
from resupply.services.errors import Refused
from resupply.services.records import said, stamp, take_back


@dataclass(frozen=True, slots=True, kw_only=True)
class RecallDetails:
    """What a recall says. Of item, family, code and lot at least one is filled; each narrows it.

    Days of dispense narrow who is to be told, not what is stopped: the shelf may hold the same parts.
    """

    title: str
    issued_on: date
    source: str
    item: CatalogueItem | None = None
    family: str = ""
    part_code: str = ""
    lot: str = ""
    given_from: date | None = None
    given_until: date | None = None
    advice: str = ""


def record_recall(
    details: RecallDetails, *, by: AbstractBaseUser | None, today: date, now: datetime
) -> Recall:
    """Record a recall; from now on nothing that it names is dispensed.

    Raises Refused: `title_missing`, `source_missing`, `future`, `names_nothing`, `unknown_code`, `days`,
    `contradiction` (an item of another family or code, which no part could match).
    """
    _check(details, today=today)
    with transaction.atomic():
        return Recall.objects.create(
            title=details.title.strip(),
            issued_on=details.issued_on,
            source=details.source.strip(),
            item=details.item,
            family=details.family.strip(),
            part_code=details.part_code,
            lot=details.lot.strip(),
            given_from=details.given_from,
            given_until=details.given_until,
            advice=details.advice.strip(),
            **stamp(by, now),
        )


def void_recall(recall: Recall, *, reason: str, by: AbstractBaseUser | None, now: datetime) -> None:
    """Take a recall back with a reason; what it named may be dispensed again.

    Raises Refused: `reason_missing`, `reason_long`, `already_void`.
    """
    with transaction.atomic():
        take_back(Recall.objects.select_for_update().get(pk=recall.pk), reason=reason, by=by, now=now)


def _check(details: RecallDetails, *, today: date) -> None:
    if not details.title.strip():
        raise Refused("title_missing", "Name the recall as its notice does.", "title")
    if not details.source.strip():
        raise Refused(
            "source_missing",
            "Say who ordered it: the regulator's notice or the maker's letter, as you file it.",
            "source",
        )
    if details.issued_on > today:
        raise Refused("future", f"{said(details.issued_on)} has not come yet.", "issued_on")
    if not (details.item or details.family.strip() or details.part_code or details.lot.strip()):
        raise Refused("names_nothing", "Say what is recalled: an item, a family, a code or a lot.", "item")
    if details.part_code and details.part_code not in part_types():
        raise Refused("unknown_code", f"“{details.part_code}” is no part code on file.", "part_code")
    if details.given_from and details.given_until and details.given_until < details.given_from:
        raise Refused("days", "The last day of dispense lies before the first.", "given_until")
    item = details.item
    if item and details.part_code and item.part_code != details.part_code:
        raise Refused(
            "contradiction",
            f"This item has the code {item.part_code}. Leave the code out, or choose another item.",
            "part_code",
        )
    if item and details.family.strip() and item.family.casefold() != details.family.strip().casefold():
        raise Refused(
            "contradiction",
            "This item belongs to another family. Leave the family out, or choose another item.",
            "family",
        )
