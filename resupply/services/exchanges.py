"""An exchange: a part of the wrong size comes back and another goes out, in one act.

Nothing is edited: the first line is voided with the reason, and a dispense of the day of the exchange holds
the new line, which points to the first. Limits and coverage are those that held had the first line not been
given; where it lay outside of them with a reason, that reason and its notice carry over. So does the
patient's own yes it was given from.
"""

from dataclasses import dataclass
from datetime import date, datetime
from uuid import UUID

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.models import CatalogueItem, Dispense, DispenseLine, SuppliedBy
from resupply.rules.tables import part_types
from resupply.services import corrections, dispensing, plans
from resupply.services.dispensing.lines import check_same
from resupply.services.errors import Refused
from resupply.services.records import check_day, check_reason, local_day, said, sent_before
from resupply.services.shelves import Shelves


@dataclass(frozen=True, slots=True, kw_only=True)
class Replacement:
    """What goes out instead: as many units as came back, handed over in person."""

    item: CatalogueItem
    lot: str = ""
    expires_on: date | None = None
    serial: str = ""
    size_kept: str = ""
    exception_reason: str = ""
    notice: str = ""
    notice_on: date | None = None


def exchange(
    line: DispenseLine,
    new: Replacement,
    *,
    on: date,
    reason: str,
    back_to_shelf: bool,
    allow_short: bool = False,
    by: AbstractBaseUser | None,
    now: datetime,
    form_key: UUID | None = None,
) -> Dispense:
    """Take a line back and give as many units of another item for it; returns the new dispense.

    `back_to_shelf`: the units that came back are unopened; else they are discarded. Sent twice with one
    `form_key`, it happens once. Raises Refused: `reason_missing`, `reason_long`, `already_void`,
    `other_kind`, `form_used`, `given_elsewhere`, `before_dispense`, and what `record_dispense` refuses of the
    new line.
    """
    reason = check_reason(reason, after="exchanged: ")
    with transaction.atomic():
        plans.lock_patients([line.dispense.patient_id])
        if earlier := sent_before(Dispense, form_key, line.dispense.patient):
            check_same(earlier, [_new_line(line, new, on)], on=on, location=line.dispense.location)
            return earlier
        check_day(line.dispense.patient, on, today=local_day(now, line.dispense.location.time_zone))
        _check(line, new, on)
        _lock_shelves(line, new)
        corrections.take_back_line(line, reason=reason, by=by, now=now)
        corrections.put_back([line], to_shelf=back_to_shelf, by=by, now=now)
        dispense = dispensing.record_dispense(
            patient=line.dispense.patient,
            location=line.dispense.location,
            dispensed_on=on,
            lines=[_new_line(line, new, on)],
            allow_short=allow_short,
            by=by,
            now=now,
            form_key=form_key,
        )
        _carry_over(dispense.lines.get(), line)
    return dispense


def _check(line: DispenseLine, new: Replacement, on: date) -> None:
    """Refuse what is no exchange."""
    line.refresh_from_db(fields=["voided_at"])
    if line.is_voided:
        raise Refused("already_void", "This part has been taken back already. Log a dispense instead.")
    if line.dispense.supplied_by != SuppliedBy.US:
        raise Refused("given_elsewhere", "Another supplier gave this part. It is exchanged there.")
    if part_types()[new.item.part_code].kind != line.kind:
        raise Refused(
            "other_kind",
            "An exchange is for the same kind of part. For another kind, void this one and log a dispense.",
            "item",
        )
    if on < line.dispense.dispensed_on:
        raise Refused(
            "before_dispense",
            f"The part was given on {said(line.dispense.dispensed_on)}. Enter the day it was exchanged.",
            "on",
        )


def _lock_shelves(line: DispenseLine, new: Replacement) -> None:
    """Lock the levels of both items at once, in the order every writer of stock takes."""
    items = {pk for pk in (line.item_id, new.item.pk) if pk is not None}
    Shelves.lock([line.dispense.location_id], items)


def _new_line(line: DispenseLine, new: Replacement, on: date) -> dispensing.NewLine:
    """The row that goes out."""
    later = line.first_use_on is not None and line.first_use_on >= on
    own = bool(new.exception_reason.strip())
    return dispensing.NewLine(
        item=new.item,
        quantity=line.quantity,
        lot=new.lot,
        expires_on=new.expires_on,
        serial=new.serial,
        size_kept=new.size_kept,
        first_use_on=line.first_use_on if later else None,
        billed=None if line.billed else False,
        exception_reason=new.exception_reason if own else line.exception_reason,
        notice=new.notice or line.notice,
        notice_on=new.notice_on or line.notice_on,
        exchange_of=line,
    )


def _carry_over(given: DispenseLine, line: DispenseLine) -> None:
    """What stood against the first line marks the new one, and its yes is the new one's."""
    given.answer_item = line.answer_item
    if line.exception_reason:
        given.exception_reason = given.exception_reason or line.exception_reason
        given.exception_stops = sorted({*given.exception_stops, *line.exception_stops})
    if line.exception_reason and not given.notice:
        given.notice, given.notice_on = line.notice, line.notice_on
    given.save(update_fields=["answer_item", "exception_reason", "exception_stops", "notice", "notice_on"])
