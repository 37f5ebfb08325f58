"""The write: parts given to a patient on a date, checked under the patient's lock, with the plan after it."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from uuid import UUID

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction
from django.db.models import Q

from resupply.models import (
    Dispense,
    DispenseLine,
    Given,
    Location,
    Notice,
    Order,
    Patient,
    PatientStatus,
    SuppliedBy,
)
from resupply.queries.payers import payers_on
from resupply.rules.stops import Stops, standing
from resupply.services import back_orders, plans, stock
from resupply.services.dispensing.known import Known
from resupply.services.dispensing.lines import (
    NewLine,
    check_billing,
    check_line,
    check_notice,
    check_same,
    is_billed,
)
from resupply.services.dispensing.words import Stopped, refusal
from resupply.services.errors import Refused
from resupply.services.records import check_day, local_day, sent_before, stamp


@dataclass(frozen=True, slots=True)
class _Act:
    """What all rows of one dispense share. `known` None: another supplier's parts, which are not checked."""

    patient: Patient
    location: Location
    on: date
    shipped: bool
    known: Known | None
    payer_id: int | None
    by: AbstractBaseUser | None
    now: datetime


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
    carrier: str = "",
    tracking_id: str = "",
    delivery_address: str = "",
    allow_short: bool = False,
    form_key: UUID | None = None,
) -> Dispense:
    """Record parts given on a day and refresh the plan; sent twice with one `form_key`, it is recorded once.

    Shipped, `dispensed_on` is the ship date; the address is the patient's unless said. `allow_short` logs
    what the shelves do not hold on record. Raises Refused, with `row` where one line is at fault: `no_lines`,
    `form_used`, `future`, `before_birth`, `died`, `no_address`, `no_tracking`, `quantity`, `unknown_code`,
    `first_use`, `contains`, `size_kept`, `nobody_to_bill`, `notice_missing`, `notice_day`, `notice_late`,
    `not_in_stock`; and Stopped (a Refused, code of `rules.stops`) for rows that may not go out.

    Long for what a dispense holds: one list of steps, the order of which matters under the lock.
    """
    if not lines:
        raise Refused("no_lines", "Enter a quantity for at least one part.")
    check_day(patient, dispensed_on, today=local_day(now, location.time_zone), field="dispensed_on")
    for row, line in enumerate(lines):
        check_line(line, dispensed_on, row)
    is_ours, shipped = supplied_by == SuppliedBy.US, given == Given.SHIPPED
    parcel = _parcel(patient, carrier, tracking_id, delivery_address, is_ours=is_ours) if shipped else {}
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        if earlier := sent_before(Dispense, form_key, patient):
            check_same(earlier, lines, on=dispensed_on, location=location)
            return earlier
        _check_status(patient)
        payer_id = payers_on([patient], dispensed_on)[patient.pk]
        check_billing(lines, payer_id)
        known = Known.about(patient, now=now) if is_ours else None
        act = _Act(patient, location, dispensed_on, shipped, known, payer_id, by, now)
        stops = _checked(act, lines)
        dispense = Dispense.objects.create(
            patient=patient,
            location=location,
            dispensed_on=dispensed_on,
            given=given,
            supplied_by=supplied_by,
            order=_order_on(patient, dispensed_on),
            form_key=form_key,
            **parcel,
            **stamp(by, now),
        )
        rows = [_add_line(dispense, act, i, *pair) for i, pair in enumerate(zip(lines, stops, strict=True))]
        if is_ours:
            stock.take_out(rows, location=location, on=dispensed_on, allow_short=allow_short, by=by, now=now)
            back_orders.fill(rows, patient_id=patient.pk)
        plans.refresh_plans([patient.pk], now=now)
    return dispense


def _parcel(
    patient: Patient, carrier: str, tracking_id: str, address: str, *, is_ours: bool
) -> dict[str, str]:
    """Where a parcel goes and how it is traced: parts of its proof of delivery (42 CFR 424.57(c)(12))."""
    address = address.strip() or patient.address.strip()
    if is_ours and not address:
        raise Refused(
            "no_address",
            "Enter the address it is shipped to: none is on record for this patient.",
            "delivery_address",
        )
    if is_ours and not tracking_id.strip():
        raise Refused(
            "no_tracking",
            "Enter the carrier's tracking id: it is part of the proof of delivery.",
            "tracking_id",
        )
    return {
        "carrier": carrier.strip(),
        "tracking_id": tracking_id.strip(),
        "delivery_address": address,
    }


def _check_status(patient: Patient) -> None:
    """Nothing is dispensed to someone recorded as dead: the record is wrong, or the patient is another."""
    patient.refresh_from_db(fields=["status"])
    if patient.status == PatientStatus.DIED:
        raise Refused(
            "died", "This patient is recorded as having died. Check that you have the right person."
        )


def _checked(act: _Act, lines: Sequence[NewLine]) -> list[Stops]:
    """What stands against each row and was lifted by its reason; refuses the rows where something is left."""
    if act.known is None:
        return [()] * len(lines)
    zone = act.location.time_zone
    found = act.known.against(lines, on=act.on, shipped=act.shipped, zone=zone)
    refusals: list[Refused] = []
    for row, (line, stops) in enumerate(zip(lines, found, strict=True)):
        left = standing(stops, reason=line.exception_reason)
        if left:
            refusals.append(refusal(left[0], line, act.known, on=act.on, row=row))
        elif stops and is_billed(line, act.payer_id):
            try:
                check_notice(line, act.on, row)
            except Refused as missing:
                refusals.append(missing)
    if refusals:
        raise Stopped(refusals)
    return found


def _order_on(patient: Patient, day: date) -> Order | None:
    """The prescriber's newest order in force on a day."""
    in_force = Q(ends_on=None) | Q(ends_on__gte=day)
    orders = Order.objects.filter(in_force, patient=patient, ordered_on__lte=day, voided_at=None)
    return orders.order_by("-ordered_on", "-pk").first()


def _add_line(dispense: Dispense, act: _Act, position: int, line: NewLine, stops: Stops) -> DispenseLine:
    """Append one row. Reason and notice are kept where something stood against it."""
    billed = is_billed(line, act.payer_id)
    notice = line.notice if stops and billed else ""
    answer = act.known.answer_for(line, on=act.on) if act.known and line.exchange_of is None else None
    return DispenseLine.objects.create(
        dispense=dispense,
        position=position,
        item=line.item,
        part_code=line.code,
        kind=line.kind,
        quantity=line.quantity,
        lot=line.lot.strip(),
        expires_on=line.expires_on,
        serial=line.serial.strip(),
        first_use_on=line.first_use_on,
        billed=billed,
        billed_to_id=act.payer_id if billed else None,
        family=line.mask_family,
        contains=list(line.packed),
        size_kept=line.size_kept.strip() if line.item and line.item.pack_sizes else "",
        answer_item=answer,
        exchange_of=line.exchange_of,
        exception_reason=line.exception_reason.strip() if stops else "",
        exception_stops=[stop.code.value for stop in stops],
        notice=notice,
        notice_on=line.notice_on if notice == Notice.GIVEN else None,
        **stamp(act.by, act.now),
    )
