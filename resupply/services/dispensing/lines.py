"""One row of a dispense: what it says, and what no reason could mend."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from resupply.models import LARGEST_QUANTITY, CatalogueItem, Dispense, DispenseLine, Location, Notice
from resupply.rules.kinds import Kind
from resupply.rules.tables import part_types
from resupply.services.errors import Refused
from resupply.services.records import check_ahead, check_expiry, said


@dataclass(frozen=True, slots=True, kw_only=True)
class NewLine:
    """One row of a dispense. With `item`, code, family and contained parts are the item's unless said.

    `billed` None: billed where a payer covers the patient on that day. `exception_reason` lets a line lie
    outside the limits; then, where it is billed, `notice` says whether the patient got the written notice
    owed (`models.Notice`), `notice_on` when. `size_kept`: of a fit pack, the size the patient keeps.
    `exchange_of`: the line it replaces.
    """

    quantity: int
    item: CatalogueItem | None = None
    part_code: str = ""
    lot: str = ""
    expires_on: date | None = None
    serial: str = ""
    first_use_on: date | None = None
    billed: bool | None = None
    family: str = ""
    contains: tuple[str, ...] | None = None
    size_kept: str = ""
    exception_reason: str = ""
    notice: str = ""
    notice_on: date | None = None
    exchange_of: DispenseLine | None = None

    @property
    def code(self) -> str:
        """The billing code."""
        return self.part_code or (self.item.part_code if self.item else "")

    @property
    def packed(self) -> tuple[str, ...]:
        """Codes of the contained parts."""
        if self.contains is not None:
            return self.contains
        return tuple(self.item.contains) if self.item else ()

    @property
    def mask_family(self) -> str:
        """The mask family; empty: not stated."""
        return self.family.strip() or (self.item.family if self.item else "")

    @property
    def kind(self) -> Kind:
        """The kind of its code. Raises KeyError for a code that is no part type."""
        return part_types()[self.code].kind


def check_line(line: NewLine, dispensed_on: date, row: int) -> None:
    """Raises Refused: `unknown_code`, `quantity`, `first_use`, `too_far`, `expiry_far`, `contains`,
    `size_kept`.
    """
    if line.code not in part_types():
        raise Refused(
            "unknown_code", f"“{line.code}” is no part code on file. Choose a part.", "part", row=row
        )
    if not 1 <= line.quantity <= LARGEST_QUANTITY:
        raise Refused("quantity", f"Enter a quantity from 1 to {LARGEST_QUANTITY}.", "quantity", row=row)
    if line.first_use_on and line.first_use_on < dispensed_on:
        raise Refused(
            "first_use", "The first use cannot come before the day it is dispensed.", "first_use_on", row=row
        )
    if line.first_use_on:
        check_ahead(line.first_use_on, today=dispensed_on, what="a first use", row=row, field="first_use_on")
    check_expiry(line.expires_on, dispensed_on, row)
    if line.packed and line.kind is not Kind.MASK:
        raise Refused("contains", "Only a complete mask contains other parts.", "part", row=row)
    for code in line.packed:
        if code not in part_types() or part_types()[code].kind is Kind.MASK:
            raise Refused("contains", f"“{code}” cannot be packed with a mask.", "part", row=row)
    sizes = line.item.pack_sizes if line.item else []
    if sizes and line.size_kept.strip() not in sizes:
        raise Refused(
            "size_kept",
            f"This is a fit pack. Say which size the patient keeps: {', '.join(sizes)}.",
            "size_kept",
            row=row,
        )


def check_billing(lines: Sequence[NewLine], payer_id: int | None) -> None:
    """What nobody else pays for cannot be billed. Raises Refused `nobody_to_bill`."""
    for row, line in enumerate(lines):
        if line.billed and payer_id is None:
            raise Refused("nobody_to_bill", "This patient pays: choose “not billed”.", "billed", row=row)


def is_billed(line: NewLine, payer_id: int | None) -> bool:
    """Whether a line is billed: what it says, else where a payer covers the patient."""
    return payer_id is not None if line.billed is None else line.billed


def check_notice(line: NewLine, dispensed_on: date, row: int) -> None:
    """Of a billed exception: whether written notice was given has to be said, and given before the part.

    Raises Refused `notice_missing`, `notice_day`, `notice_late`.
    """
    if line.notice not in Notice.values:
        raise Refused(
            "notice_missing",
            "The payer may deny this part. Say whether the patient was given written notice of that.",
            "notice",
            row=row,
        )
    if line.notice == Notice.GIVEN and line.notice_on is None:
        raise Refused("notice_day", "Enter the day the notice was given.", "notice_on", row=row)
    if line.notice == Notice.GIVEN and line.notice_on and line.notice_on > dispensed_on:
        raise Refused(
            "notice_late",
            f"The notice is given before the part: on {said(dispensed_on)} or earlier.",
            "notice_on",
            row=row,
        )


def check_same(earlier: Dispense, lines: Sequence[NewLine], *, on: date, location: Location) -> None:
    """Refuse `form_used`: a form sent again that says something else than what it recorded before."""
    was = [
        (row.item_id, row.part_code, row.quantity, row.lot, row.expires_on, row.exchange_of_id)
        for row in earlier.lines.order_by("position")
    ]
    wants = [
        (
            line.item.pk if line.item else None,
            line.code,
            line.quantity,
            line.lot.strip(),
            line.expires_on,
            line.exchange_of.pk if line.exchange_of else None,
        )
        for line in lines
    ]
    if (earlier.dispensed_on, earlier.location_id, was) != (on, location.pk, wants):
        raise Refused("form_used", "This form was sent before, with other entries. Open a new one.")
