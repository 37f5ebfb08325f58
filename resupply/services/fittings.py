"""Fittings: begun, tried mask by mask, ended in a mask kept, another visit, a referral, or nothing.

A fitting that keeps a mask of another family than the one worn records the refit that closes the old family's
lines. The parts themselves are given out as a dispense, which the desk's form opens with the mask filled in.
"""

from collections.abc import Mapping
from datetime import date, datetime
from decimal import Decimal

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction
from django.db.models import Max

from resupply.models import (
    BodyPosition,
    CatalogueItem,
    Dispense,
    Event,
    Fitting,
    FittingOutcome,
    FittingTry,
    Location,
    MatchRecord,
    Patient,
)
from resupply.queries import facts as fact_queries
from resupply.queries.patients import standing
from resupply.queries.screening import newest_screen
from resupply.rules import fitting as rules
from resupply.rules.kinds import REFIT_KINDS, Kind
from resupply.rules.lines import plan_lines
from resupply.rules.magnets import may_hold_magnets, verdict
from resupply.services import events, plans
from resupply.services.errors import Refused
from resupply.services.records import check_day, kept_whole, local_day, stamp, take_back

MOST_TRIES = 30


def begin_fitting(
    *,
    patient: Patient,
    location: Location,
    fitted_on: date,
    match: MatchRecord | None,
    by: AbstractBaseUser | None,
    now: datetime,
) -> Fitting:
    """Begin a fitting. Raises Refused: `before_birth`, `future`, `match` (of another patient)."""
    check_day(patient, fitted_on, today=local_day(now, location.time_zone), field="fitted_on")
    if match is not None and match.patient_id != patient.pk:
        raise Refused("match", "That match is another patient's. Open the form again.")
    return Fitting.objects.create(
        patient=patient, location=location, fitted_on=fitted_on, match=match, **stamp(by, now)
    )


def add_try(
    fitting: Fitting,
    *,
    item: CatalogueItem,
    size: str,
    pressure: Decimal | None,
    lying: str,
    leaks: Mapping[str, str],
    next_change: str,
    now: datetime,
) -> FittingTry:
    """Add a mask tried on: its size, pressure in cmH2O, how the patient lay, leak by site of its style.

    Raises Refused: `ended`, `too_many`, `not_a_mask`, `no_style`, `magnets`, `size`, `pressure`, `lying`,
    `leaks`, `too_long`.
    """
    style = _check_mask(fitting.patient, item, today=local_day(now, fitting.location.time_zone))
    if item.pack_sizes and size not in item.pack_sizes:
        raise Refused("size", f"Choose a size of this pack: {', '.join(item.pack_sizes)}.", "size")
    if pressure is not None and not 0 <= pressure <= 40:
        raise Refused("pressure", "Enter the pressure in cmH2O, from 0 to 40.", "pressure")
    if lying not in BodyPosition.values:
        raise Refused("lying", "Choose how the patient lay.", "lying")
    marks = _check_leaks(style, leaks)
    with transaction.atomic():
        _lock_open(fitting)
        last = fitting.tries.aggregate(last=Max("position"))["last"] or 0
        if last >= MOST_TRIES:
            raise Refused("too_many", f"A fitting holds {MOST_TRIES} tries. End it and begin another.")
        return FittingTry.objects.create(
            fitting=fitting,
            position=last + 1,
            item=item,
            style=style,
            size=size or item.size,
            pressure=pressure,
            lying=lying,
            leaks=marks,
            next_change=kept_whole(next_change, 300, "next_change"),
        )


def end_fitting(
    fitting: Fitting,
    *,
    outcome: str,
    kept: FittingTry | None,
    note: str,
    by: AbstractBaseUser | None,
    now: datetime,
) -> Fitting:
    """End a fitting; a mask kept of another family than the one worn records the refit of that day.

    Raises Refused: `ended`, `outcome`, `kept` (a mask is kept, and which is not said), `magnets`,
    `too_long`.
    """
    if outcome not in FittingOutcome.values:
        raise Refused("outcome", "Choose how the fitting ended.", "outcome")
    if (outcome == FittingOutcome.KEPT) != (kept is not None):
        raise Refused("kept", "Choose the try whose mask was kept, or another outcome.", "kept")
    if kept is not None and kept.fitting_id != fitting.pk:
        raise Refused("kept", "Choose a try of this fitting.", "kept")
    with transaction.atomic():
        plans.lock_patients([fitting.patient_id])
        _lock_open(fitting)
        if kept is not None:
            _check_mask(fitting.patient, kept.item, today=local_day(now, fitting.location.time_zone))
            fitting.item_kept, fitting.size_kept = kept.item, kept.size
            fitting.refit = _refit(fitting, kept.item, by=by, now=now)
        fitting.outcome, fitting.note = outcome, kept_whole(note, 500, "note")
        fitting.save(update_fields=["outcome", "note", "item_kept", "size_kept", "refit"])
    return fitting


def given_out(fitting: Fitting, dispense: Dispense) -> bool:
    """Note the dispense that gave out the mask kept; False where it holds another or the fitting has one."""
    holds = dispense.lines.filter(item=fitting.item_kept, voided_at=None).exists()
    if not holds or dispense.patient_id != fitting.patient_id:
        return False
    return bool(Fitting.objects.filter(pk=fitting.pk, dispense=None).update(dispense=dispense))


def void_fitting(fitting: Fitting, *, reason: str, by: AbstractBaseUser | None, now: datetime) -> Fitting:
    """Take a fitting back, and the refit it recorded. A dispense that followed stays: it is voided by itself.

    Raises Refused: `reason_missing`, `reason_long`, `already_void`.
    """
    with transaction.atomic():
        plans.lock_patients([fitting.patient_id])
        take_back(fitting, reason=reason, by=by, now=now)
        if fitting.refit is not None and not fitting.refit.is_voided:
            events.void_event(fitting.refit, reason=reason, by=by, now=now)
    return fitting


def _lock_open(fitting: Fitting) -> None:
    """Hold the fitting's row; it is still under way."""
    row = Fitting.objects.select_for_update(of=("self",)).get(pk=fitting.pk)
    if row.outcome or row.is_voided:
        raise Refused("ended", "This fitting has ended. Begin another one.")


def _check_mask(patient: Patient, item: CatalogueItem, *, today: date) -> str:
    """The style of a mask that may be put on this patient's face."""
    if item.kind != Kind.MASK:
        raise Refused("not_a_mask", "Choose a complete mask.", "item")
    try:
        rules.sites(item.style)
    except KeyError:
        raise Refused(
            "no_style",
            f"The catalogue does not say the style of {item}, or says one whose leak sites are not known. "
            "Correct it there first.",
            "item",
        ) from None
    is_magnetic = may_hold_magnets(Kind.MASK, item.magnetic)
    if is_magnetic and verdict(newest_screen(patient.pk), as_of=today).blocked:
        raise Refused(
            "magnets",
            f"{item} holds magnets, or it is not known whether it does. Magnetic parts are stopped for this "
            "patient: see the magnet questions.",
            "item",
        )
    return item.style


def _check_leaks(style: str, leaks: Mapping[str, str]) -> dict[str, str]:
    """The leak of every site of the style; none where nothing was marked."""
    sites = rules.sites(style)
    if unknown := sorted(leaks.keys() - set(sites)):
        name = rules.all_sites()[unknown[0]].name["en"] if unknown[0] in rules.all_sites() else unknown[0]
        raise Refused("leaks", f"“{name}” is no place of this style. Mark the places listed.", "leaks")
    try:
        return {site: rules.Leak(leaks.get(site) or "none").value for site in sites}
    except ValueError:
        raise Refused("leaks", "Mark each place none, slight or strong.", "leaks") from None


def _refit(
    fitting: Fitting, item: CatalogueItem, *, by: AbstractBaseUser | None, now: datetime
) -> Event | None:
    """The refit that closes the lines of the family worn so far; None where nothing of another is held."""
    patient = fitting.patient
    if not item.family or standing(patient, today=fitting.fitted_on).mask_family == item.family:
        return None
    facts, policy = fact_queries.patient_facts([patient.pk])[patient.pk], fact_queries.policy()
    held = {line.kind for line in plan_lines(facts, policy, as_of=fitting.fitted_on)}
    if not held & REFIT_KINDS:
        return None
    return events.record_refit(patient=patient, family=item.family, on=fitting.fitted_on, by=by, now=now)
