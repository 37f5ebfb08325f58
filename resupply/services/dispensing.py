"""Dispenses: parts given to a patient on a date. What takes them back stands in `corrections`."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from uuid import UUID

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.models import (
    LARGEST_QUANTITY,
    CatalogueItem,
    Coverage,
    Dispense,
    DispenseLine,
    Given,
    Location,
    Patient,
    PatientStatus,
    SuppliedBy,
)
from resupply.queries import facts as facts_of
from resupply.rules.kinds import Kind
from resupply.rules.limits import limit_of
from resupply.rules.tables import part_types
from resupply.services import plans
from resupply.services.errors import Refused
from resupply.services.records import check_day, local_day, said, stamp


@dataclass(frozen=True, slots=True, kw_only=True)
class NewLine:
    """One row of a dispense. With `item`, code, family and contained parts are the item's unless said.

    `billed` None: billed where a payer covers the patient on that day. `exception_reason` lets a line lie
    outside the limits; it never lifts an expiry.
    """

    quantity: int
    item: CatalogueItem | None = None
    part_code: str = ""
    lot: str = ""
    expires_on: date | None = None
    first_use_on: date | None = None
    billed: bool | None = None
    family: str = ""
    contains: tuple[str, ...] | None = None
    exception_reason: str = ""

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


def record_dispense(
    *,
    patient: Patient,
    location: Location,
    dispensed_on: date,
    lines: Sequence[NewLine],
    by: AbstractBaseUser | None,
    now: datetime,
    given: str = Given.IN_PERSON,
    supplied_by: str = SuppliedBy.US,
    tracking_id: str = "",
    form_key: UUID | None = None,
) -> Dispense:
    """Record parts given on a day and refresh the plan; sent twice with one `form_key`, it is recorded once.

    Raises Refused, with `row` where one line is at fault: `no_lines`, `form_used`, `future`,
    `before_birth`, `died`, `quantity`, `unknown_code`, `expired`, `first_use`, `contains`,
    `nobody_to_bill`, and `too_early` or `too_many` where a line without `exception_reason` lies outside the
    limits of that day.
    """
    if not lines:
        raise Refused("no_lines", "Enter a quantity for at least one part.")
    check_day(patient, dispensed_on, today=local_day(now, location.time_zone), field="dispensed_on")
    for row, line in enumerate(lines):
        _check_line(line, dispensed_on, row)
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        if form_key and (earlier := Dispense.objects.filter(form_key=form_key).first()):
            if earlier.patient_id != patient.pk:
                raise Refused("form_used", "This form was sent for another patient. Open a new one.")
            return earlier
        _check_status(patient)
        payer_id = _payer_on(patient, dispensed_on)
        _check_billing(lines, payer_id)
        if supplied_by == SuppliedBy.US:
            _check_limits(patient, dispensed_on, lines)
        dispense = Dispense.objects.create(
            patient=patient,
            location=location,
            dispensed_on=dispensed_on,
            given=given,
            supplied_by=supplied_by,
            tracking_id=tracking_id,
            form_key=form_key,
            **stamp(by, now),
        )
        for position, line in enumerate(lines):
            _add_line(dispense, position, line, payer_id, by, now)
        plans.refresh_plans([patient.pk], now=now)
    return dispense


def _check_line(line: NewLine, dispensed_on: date, row: int) -> None:
    """Refuse a line that no reason could mend."""
    part = part_types().get(line.code)
    if part is None:
        raise Refused(
            "unknown_code", f"“{line.code}” is no part code on file. Choose a part.", "part", row=row
        )
    if not 1 <= line.quantity <= LARGEST_QUANTITY:
        raise Refused("quantity", f"Enter a quantity from 1 to {LARGEST_QUANTITY}.", "quantity", row=row)
    if line.expires_on and line.expires_on < dispensed_on:
        raise Refused(
            "expired",
            f"This part expired on {said(line.expires_on)}. Take another.",
            "expires_on",
            row=row,
        )
    if line.first_use_on and line.first_use_on < dispensed_on:
        raise Refused(
            "first_use", "The first use cannot come before the day it is dispensed.", "first_use_on", row=row
        )
    if line.packed and part.kind is not Kind.MASK:
        raise Refused("contains", "Only a complete mask contains other parts.", "part", row=row)
    for code in line.packed:
        if code not in part_types() or part_types()[code].kind is Kind.MASK:
            raise Refused("contains", f"“{code}” cannot be packed with a mask.", "part", row=row)


def _check_status(patient: Patient) -> None:
    """Nothing is dispensed to someone recorded as dead: the record is wrong, or the patient is another."""
    patient.refresh_from_db(fields=["status"])
    if patient.status == PatientStatus.DIED:
        raise Refused(
            "died", "This patient is recorded as having died. Check that you have the right person."
        )


def _check_billing(lines: Sequence[NewLine], payer_id: int | None) -> None:
    """What nobody else pays for cannot be billed."""
    for row, line in enumerate(lines):
        if line.billed and payer_id is None:
            raise Refused("nobody_to_bill", "This patient pays: untick “billed”.", "billed", row=row)


def _check_limits(patient: Patient, day: date, lines: Sequence[NewLine]) -> None:
    """Refuse lines outside the limits of the day that give no reason; quantities of one code add up."""
    if all(line.exception_reason.strip() for line in lines):
        return
    facts, policy = facts_of.patient_facts([patient.pk])[patient.pk], facts_of.policy()
    wanted: Counter[str] = Counter()
    for row, line in enumerate(lines):
        wanted[line.code] += line.quantity
        if line.exception_reason.strip():
            continue
        limit = limit_of(line.code, facts, policy, as_of=day)
        if limit.deliver_from is not None and day < limit.deliver_from:
            raise Refused("too_early", _early(limit.deliver_from), "exception_reason", row=row)
        if limit.quantity is not None and wanted[line.code] > limit.quantity:
            raise Refused("too_many", _many(limit.quantity), "exception_reason", row=row)


def _early(first: date) -> str:
    return (
        f"This part may be dispensed from {said(first)} on. To give it earlier, type the "
        "reason: the payer may deny it, and the patient may be owed notice of that."
    )


def _many(most: int) -> str:
    number = f"At most {most} of these" if most else "None of these"
    return (
        f"{number} may be dispensed on that day. To give more, type the reason: the payer may deny it, and "
        "the patient may be owed notice of that."
    )


def _payer_on(patient: Patient, day: date) -> int | None:
    """Who pays on a day (None: the patient); of two records of one day the later counts."""
    newest = (
        Coverage.objects.filter(patient=patient, starts_on__lte=day, voided_at=None)
        .order_by("-starts_on", "-pk")
        .first()
    )
    return newest.payer_id if newest else None


def _add_line(
    dispense: Dispense,
    position: int,
    line: NewLine,
    payer_id: int | None,
    by: AbstractBaseUser | None,
    now: datetime,
) -> DispenseLine:
    """Append one row."""
    billed = payer_id is not None if line.billed is None else line.billed
    return DispenseLine.objects.create(
        dispense=dispense,
        position=position,
        item=line.item,
        part_code=line.code,
        kind=part_types()[line.code].kind,
        quantity=line.quantity,
        lot=line.lot.strip(),
        expires_on=line.expires_on,
        first_use_on=line.first_use_on,
        billed=billed,
        billed_to_id=payer_id if billed else None,
        family=line.family.strip() or (line.item.family if line.item else ""),
        contains=list(line.packed),
        exception_reason=line.exception_reason.strip(),
        **stamp(by, now),
    )
