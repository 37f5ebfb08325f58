"""Writes about the clinic's shelf: items are added and corrected, never deleted.

What was dispensed keeps what it said then: a line copies code, kind, family and contained parts. So a
correction here bears on later dispenses only, and no plan is refreshed.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import datetime

import pghistory
from django.contrib.auth.base_user import AbstractBaseUser
from django.db import IntegrityError, transaction

from resupply.models import CatalogueItem, Magnetic
from resupply.queries.matching import table_on
from resupply.rules.gs1 import Bad
from resupply.rules.item_numbers import Typed, read_gtin, read_hibc
from resupply.rules.kinds import Kind
from resupply.rules.tables import part_types
from resupply.services.errors import Refused

LONGEST_SIZE = 20
"""Characters of a size."""
MOST_SIZES = 12
"""Sizes in a fit pack; more is a slip of the keyboard."""

_GTIN = {
    Bad.LENGTH: "A GTIN has 8, 12, 13 or 14 digits. Count them on the pack, or scan its code.",
    Bad.PLACEHOLDER: "A GTIN of zeros names no item. Leave it empty if the pack has none.",
    Bad.CHECK_DIGIT: "The check digit does not fit: the code was misread or mistyped. Scan it again.",
}
_NO_GTIN = "This holds no GTIN. Type the digits under the bar code, or scan the code with (01)."
_NO_HIBC = "Scan the HIBC code, or type all of it, from + to the check character at its end."


@dataclass(frozen=True, slots=True, kw_only=True)
class ItemDetails:
    """Everything about an item that staff type; the kind follows from the code.

    `style` of a mask is one of the matching table's, `gtin` and `hibc` are as typed or scanned, `contains` is
    codes packed with a mask, `pack_sizes` the sizes in a fit pack (empty: none).
    """

    name: str
    part_code: str
    family: str = ""
    style: str = ""
    size: str = ""
    contains: tuple[str, ...] = ()
    pack_sizes: tuple[str, ...] = ()
    gtin: str = ""
    hibc: str = ""
    code_note: str = ""
    magnetic: str = Magnetic.UNKNOWN
    is_offered: bool = True


def add_item(details: ItemDetails, *, by: AbstractBaseUser | None, now: datetime) -> CatalogueItem:
    """Put an item on the shelf.

    Raises Refused: `name_missing`, `long`, `unknown_code`, `family_spelling`, `style`, `contains`,
    `pack_sizes`, `gtin`, `gtin_taken`, `hibc`, `hibc_taken`, `magnetic`, `item_twice`.
    """
    return _save(CatalogueItem(), details, by=by, now=now)


def change_item(
    item: CatalogueItem, details: ItemDetails, *, by: AbstractBaseUser | None, now: datetime
) -> CatalogueItem:
    """Correct an item, or offer it no longer. Refuses what `add_item` does."""
    return _save(item, details, by=by, now=now)


def may_be_packed() -> list[str]:
    """Codes that may be packed with a complete mask: all but masks."""
    return [code for code, part in part_types().items() if part.kind is not Kind.MASK]


def styles_offered(item: CatalogueItem | None, *, now: datetime) -> dict[str, str]:
    """The styles an item may have, by id: those of the matching table in force, and the one it has."""
    own = {item.style: item.style} if item is not None and item.style else {}
    return own | {style.id: style.name for style in table_on(now.date()).table.styles}


def starts_without_magnets(kind: Kind) -> bool:
    """Whether a form starts at "no magnets" for a kind: worn parts may hold some, these are not worn."""
    return kind in {Kind.TUBING, Kind.FILTER_DISPOSABLE, Kind.FILTER_REUSABLE, Kind.CHAMBER}


def _save(
    item: CatalogueItem, details: ItemDetails, *, by: AbstractBaseUser | None, now: datetime
) -> CatalogueItem:
    """Check and write; who did it stands with the change."""
    values = _checked(details, item, now=now)
    try:
        with pghistory.context(user=by.pk if by else None), transaction.atomic():
            for name, value in values.items():
                setattr(item, name, value)
            item.save()
    except IntegrityError as error:
        raise _taken(error) from None
    return item


def _checked(details: ItemDetails, item: CatalogueItem, *, now: datetime) -> dict[str, object]:
    """Model fields of details that an item can have."""
    name, size = " ".join(details.name.split()), " ".join(details.size.split())
    if not name:
        raise Refused("name_missing", "Name the item as its pack does.", "name")
    if details.part_code not in part_types():
        raise Refused("unknown_code", "Choose the part and its billing code.", "part_code")
    if details.magnetic not in Magnetic.values:
        raise Refused("magnetic", "Say whether it holds magnets; “not known” counts as yes.", "magnetic")
    kind, styles = part_types()[details.part_code].kind, styles_offered(item, now=now)
    values: dict[str, object] = {
        "name": name,
        "kind": kind.value,
        "part_code": details.part_code,
        "family": _family(details.family, item),
        "style": _style(details.style, kind, styles),
        "size": size,
        "contains": _contains(details.contains, kind),
        "pack_sizes": _pack_sizes(details.pack_sizes, size),
        "gtin": _gtin(details.gtin, item, now.year),
        "hibc": _hibc(details.hibc, item),
        "code_note": details.code_note.strip(),
        "magnetic": details.magnetic,
        "is_offered": details.is_offered,
    }
    _check_lengths(values)
    twin = CatalogueItem.objects.filter(name__iexact=name, size__iexact=size).exclude(pk=item.pk).first()
    if twin is not None:
        raise Refused("item_twice", f"The catalogue has “{twin}” already ({_where(twin)}).", "name")
    return values


def _check_lengths(values: Mapping[str, object]) -> None:
    """Refuse what its column cannot hold, before anything is looked up."""
    for column in CatalogueItem._meta.fields:
        value, most = values.get(column.name), column.max_length
        if isinstance(value, str) and most is not None and len(value) > most:
            raise Refused("long", f"Keep this to {most} characters.", column.name)


def _family(typed: str, item: CatalogueItem) -> str:
    """The family as typed; it has one spelling, since a refit ends the units of every other family."""
    family = " ".join(typed.split())
    if not family:
        return ""
    others = CatalogueItem.objects.filter(family__iexact=family).exclude(pk=item.pk)
    spelled = others.values_list("family", flat=True).first()
    if spelled is not None and spelled != family:
        raise Refused(
            "family_spelling",
            f"The catalogue spells this family “{spelled}”. Two spellings would be two families.",
            "family",
        )
    return family


def _style(style: str, kind: Kind, offered: Collection[str]) -> str:
    """The style, of a mask alone; empty where nobody said it."""
    if style and kind is not Kind.MASK:
        raise Refused("style", "Only a mask has a style.", "style")
    if style and style not in offered:
        raise Refused("style", "Choose one of the listed styles.", "style")
    return style


def _contains(codes: tuple[str, ...], kind: Kind) -> list[str]:
    if codes and kind is not Kind.MASK:
        raise Refused("contains", "Only a complete mask contains other parts.", "contains")
    for code in codes:
        if code not in may_be_packed():
            raise Refused("contains", f"“{code}” cannot be packed with a mask.", "contains")
    return list(dict.fromkeys(codes))


def _pack_sizes(sizes: tuple[str, ...], size: str) -> list[str]:
    """The sizes in a fit pack. One of them is kept, so there are at least two, and the pack has none."""
    found = [" ".join(one.split()) for one in sizes if one.strip()]
    if not found:
        return []
    if size:
        raise Refused("pack_sizes", "A fit pack has several sizes: leave the one size empty.", "size")
    if len({one.casefold() for one in found}) != len(found) or not 2 <= len(found) <= MOST_SIZES:
        raise Refused(
            "pack_sizes",
            f"Enter from 2 to {MOST_SIZES} different sizes, with commas between them.",
            "pack_sizes",
        )
    if any(len(one) > LONGEST_SIZE for one in found):
        raise Refused("pack_sizes", f"Keep each size to {LONGEST_SIZE} characters.", "pack_sizes")
    return found


def _gtin(typed: str, item: CatalogueItem, year: int) -> str:
    """The GTIN with 14 digits; empty where none was typed."""
    if not typed.strip():
        return ""
    read = read_gtin(typed, year=year)
    if read.fault is not None:
        raise Refused("gtin", _gtin_words(typed, read), "gtin")
    twin = CatalogueItem.objects.filter(gtin=read.number).exclude(pk=item.pk).first()
    if twin is not None:
        raise Refused("gtin_taken", f"This GTIN belongs to “{twin}” ({_where(twin)}).", "gtin")
    return read.number


def _gtin_words(typed: str, read: Typed) -> str:
    if read.fault is Bad.CHECK_DIGIT and read.expected is not None:
        digits = "".join(letter for letter in typed if letter.isdecimal())
        return (
            f"The check digit does not fit: {digits[:-1]} would end in {read.expected}, not in {digits[-1]}. "
            "Compare every digit with the pack; any of them may be mistyped."
        )
    return _GTIN.get(read.fault, _NO_GTIN) if read.fault else ""


def _hibc(typed: str, item: CatalogueItem) -> str:
    """Labeler and product of the code; what is on file may come back as the form shows it."""
    if not typed.strip() or typed.strip() == item.hibc:
        return typed.strip()
    read = read_hibc(typed)
    if read.fault is Bad.CHECK_DIGIT and read.expected is not None:
        raise Refused(
            "hibc",
            f"The check character does not fit: this code would end in “{read.expected}”. Compare every "
            "character with the pack; any of them may be mistyped.",
            "hibc",
        )
    if read.fault is not None:
        raise Refused("hibc", _NO_HIBC, "hibc")
    twin = CatalogueItem.objects.filter(hibc=read.number).exclude(pk=item.pk).first()
    if twin is not None:
        raise Refused("hibc_taken", f"This HIBC code belongs to “{twin}” ({_where(twin)}).", "hibc")
    return read.number


def _where(item: CatalogueItem) -> str:
    """What tells an item from its like."""
    return f"{item.part_code}{'' if item.is_offered else ', no longer offered'}"


def _taken(error: IntegrityError) -> Exception:
    """The refusal of what somebody else wrote a moment before."""
    said = str(error)
    for field in ("gtin", "hibc"):
        if f"catalogue_{field}_once" in said:
            return Refused(f"{field}_taken", f"Another item has just been given this {field.upper()}.", field)
    if "catalogue_item_once" in said:
        return Refused("item_twice", "An item of this name and size has just been added.", "name")
    return error
