"""The clinic's shelf: lists of items, families with their parts, one item by its number, and its changes."""

import re
from dataclasses import dataclass, field
from itertools import groupby

from django.db.models import Case, IntegerField, Q, QuerySet, When

from resupply.models import CatalogueItem
from resupply.queries.row_changes import Change, changes_of
from resupply.rules.kinds import Kind

PAGE = 50
"""Items on a page."""

ORDERS = {
    "kind": ("kind_place", "name", "size_place", "size"),
    "name": ("name", "size_place", "size"),
    "family": ("family", "kind_place", "name", "size_place", "size"),
    "code": ("part_code", "name", "size_place", "size"),
    "size": ("size_place", "size", "name"),
    "gtin": ("gtin", "name", "size_place", "size"),
}
"""What a list may be ordered by; a `-` before the name turns it round."""

_BY_FAMILY = ("family", "kind_place", "part_code", "name", "size_place", "size", "pk")

_SIZES = ("XXS", "XS", "S", "M", "L", "XL", "XXL")
"""Sizes as they grow; any other comes after them, by its letters."""

_TRACKED = (
    "name", "part_code", "kind", "family", "style", "size", "pack_sizes", "contains", "gtin", "hibc",
    "magnetic", "code_note", "is_offered",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class CatalogueFilter:
    """What a list is narrowed to; empty: everything. `words` are looked for in names, families, numbers."""

    words: str = ""
    kind: str = ""
    family: str = ""
    magnetic: str = ""
    offered: bool | None = None


@dataclass(slots=True)
class Family:
    """A mask family: its masks, and the parts that fit them."""

    name: str
    masks: list[CatalogueItem] = field(default_factory=list)
    parts: list[CatalogueItem] = field(default_factory=list)

    @property
    def sizes(self) -> list[str]:
        """Sizes of its items, those in fit packs included, in the order they come."""
        items = [*self.masks, *self.parts]
        return list(dict.fromkeys(size for item in items for size in [item.size, *item.pack_sizes] if size))


def mask_families() -> list[str]:
    """Mask families of the items offered, by name."""
    items = CatalogueItem.objects.filter(is_offered=True).exclude(family="")
    return list(items.order_by("family").values_list("family", flat=True).distinct())


def all_families() -> list[str]:
    """Every family the catalogue ever named, by name."""
    items = CatalogueItem.objects.exclude(family="")
    return list(items.order_by("family").values_list("family", flat=True).distinct())


def items(wanted: CatalogueFilter, *, order: str = "kind") -> QuerySet[CatalogueItem]:
    """The items that a filter asks for, in an order of `ORDERS` (any other: by kind)."""
    found = _placed()
    for word in wanted.words.split():
        start = rf"\m{re.escape(word)}"  # of a word: a size of one letter is in many names
        found = found.filter(
            Q(name__iregex=start)
            | Q(family__iregex=start)
            | Q(size__iexact=word)
            | Q(pack_sizes__contains=[word.upper()])
            | Q(part_code__istartswith=word)
            | Q(gtin__contains=word.lstrip("0") or word)
            | Q(hibc__icontains=word)
        )
    if wanted.kind:
        found = found.filter(kind=wanted.kind)
    if wanted.family:
        found = found.filter(family=wanted.family)
    if wanted.magnetic:
        found = found.filter(magnetic=wanted.magnetic)
    if wanted.offered is not None:
        found = found.filter(is_offered=wanted.offered)
    fields = ORDERS.get(order.removeprefix("-"), ORDERS["kind"])
    turned = [f"-{name}" for name in fields] if order.startswith("-") else list(fields)
    return found.order_by(*turned, "pk")


def families() -> list[Family]:
    """Every family with what the shelf has of it, by name; what is no longer offered comes too. One query."""
    rows = _placed().exclude(family="").order_by(*_BY_FAMILY)
    found = []
    for name, group in groupby(rows, key=lambda item: item.family):
        family = Family(name)
        for item in group:
            (family.masks if item.kind == Kind.MASK else family.parts).append(item)
        found.append(family)
    return found


def _placed() -> QuerySet[CatalogueItem]:
    """Items with the places of their kind (the mask first) and size in an order."""
    kinds = [When(kind=kind, then=place) for place, kind in enumerate(Kind)]
    sizes = [When(size__iexact=size, then=place) for place, size in enumerate(_SIZES)]
    return CatalogueItem.objects.annotate(
        kind_place=Case(*kinds, default=len(kinds), output_field=IntegerField()),
        size_place=Case(*sizes, default=len(sizes), output_field=IntegerField()),
    )


def by_gtin(gtin: str) -> CatalogueItem | None:
    """The item with a GTIN of 14 digits, offered or not."""
    return CatalogueItem.objects.filter(gtin=gtin).first() if gtin else None


def changes(item: CatalogueItem) -> list[Change]:
    """Who changed what of an item, newest first. Two queries, whatever their number."""
    return changes_of(item, _TRACKED)
