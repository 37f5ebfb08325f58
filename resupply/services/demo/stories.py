"""The invented patients' stories: one for every state a line can be in and every kind of record, and many
patients whose parts are simply in supply.

Days are counted from the given day: `ends` are the days until the quarterly supply ends (negative: since it
ended), a range where any day will do.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta

from resupply.models import PatientStatus
from resupply.rules.kinds import Kind
from resupply.rules.periods import Period, Unit, add
from resupply.rules.tables import part_types
from resupply.services.demo.dates import QUARTER, weekday_by
from resupply.services.demo.histories import Gift, History, Line, Part
from resupply.services.demo.kits import FILTERS, family_of, mask_parts

SOFT = (Kind.CUSHION, Kind.ORAL_CUSHION, Kind.COMBINATION_PILLOWS)
WITH_MASK = (Kind.MASK, *SOFT, Kind.HEADGEAR)
FINE = (34, 84)


@dataclass(frozen=True, slots=True, kw_only=True)
class Story:
    """One patient's story. `payer` None: one of the usual ones; `style` empty: any."""

    tell: Callable[[History], None]
    ends: tuple[int, int] = FINE
    quarters: int = 8
    payer: str | None = None
    style: str = ""
    complete: bool = False
    reusable: bool = False
    chin_strap: bool = False
    status: PatientStatus = PatientStatus.ON_THERAPY


def supplied(h: History) -> None:
    """Came every quarter, and all goes together."""
    h.supply()


def odalys(h: History) -> None:
    """The patient of the pictures: each line at another point of its time."""
    ends = {
        Kind.MASK: h.ago(-10),
        Kind.CUSHION: h.ago(9),
        Kind.HEADGEAR: h.ago(-102),
        Kind.FILTER_DISPOSABLE: add(h.ago(-4), Period(2, Unit.MONTH)),
        Kind.CHAMBER: h.ago(-25),
    }
    for kind, ends_on in ends.items():
        h.refill(h.part(kind), ends_on=ends_on)
    tubing = h.part(Kind.TUBING)
    h.refill(tubing, ends_on=h.ago(-20))
    h.give(h.weekday_ago(50), tubing, elsewhere=True)


def filters_late(h: History) -> None:
    """Filters alone ran out some days ago."""
    h.supply(but=(Kind.FILTER_DISPOSABLE,))
    h.refill(FILTERS, ends_on=h.ago(6))


def mask_late(h: History) -> None:
    """The mask alone ran out."""
    h.supply(but=(Kind.MASK,))
    h.refill(h.part(Kind.MASK), ends_on=h.ago(26))


def tubing_late(h: History) -> None:
    """The tubing alone ran out."""
    h.supply(but=(Kind.TUBING,))
    h.refill(h.part(Kind.TUBING), ends_on=h.ago(39))


def headgear_late(h: History) -> None:
    """The headgear was forgotten more than a quarter ago."""
    h.supply(but=(Kind.HEADGEAR,))
    h.refill(h.part(Kind.HEADGEAR), ends_on=h.ago(104))


def waits_after_end(h: History) -> None:
    """The mask is worn, and the payer pays for another only later: one in six months."""
    h.supply(but=(Kind.MASK,))
    h.refill(h.part(Kind.MASK), ends_on=h.ago(12), last_billed=True)


def waits_before_end(h: History) -> None:
    """The mask is nearly worn, and the payer pays for another only weeks after."""
    h.supply(but=(Kind.MASK,))
    h.refill(h.part(Kind.MASK), ends_on=h.ago(-5), last_billed=True)


def mask_lost(h: History) -> None:
    """The only mask broke long before the payer pays for another."""
    h.supply()
    h.lose(Kind.MASK, h.ago(8))


def strap_due(h: History) -> None:
    """A life of its own, in days, runs out on the given day exactly."""
    h.supply(but=(Kind.CHIN_STRAP,))
    reason = "Strap stretches early on this patient; checked at two visits (therapist)."
    h.own_life(h.part(Kind.CHIN_STRAP), Period(60, Unit.DAY), ends_on=h.today, refills=4, reason=reason)


def cushion_every_two_weeks(h: History) -> None:
    """Skin oil hardens the seal: a shorter life by the therapist's decision."""
    h.supply(but=(Kind.CUSHION,))
    part = Part(h.part(Kind.CUSHION).item, 6)
    reason = "Seal hardens within two weeks, leak seen twice; skin care discussed (therapist)."
    h.own_life(part, Period(2, Unit.WEEK), ends_on=h.ago(-40), refills=3, reason=reason)


def mask_ready(h: History) -> None:
    """Only the mask may be dispensed now."""
    h.supply(but=(Kind.MASK,))
    h.refill(h.part(Kind.MASK), ends_on=h.ago(-7))


def paused_open(h: History) -> None:
    """In hospital, no day of return known."""
    h.supply()
    h.pause(h.ago(20), None)


def paused_until(h: History) -> None:
    """Away with a known day of return."""
    h.supply()
    h.pause(h.ago(10), h.ago(-18))


def paused_before(h: History) -> None:
    """A pause of two weeks last month moved every date."""
    h.supply()
    h.pause(h.ago(40), h.ago(26))


def refitted(h: History) -> None:
    """Changed from nasal to full face; spares of the old family were put away."""
    on = h.weekday_ago(45)
    h.supply(but=WITH_MASK)
    h.supply(*WITH_MASK, until=on)
    h.refit(on, family_of("full face"))
    reason = "Refitted to another mask family; told that the payer may deny it."
    for part in mask_parts("full face", size="M"):
        h.give(on, part, exception_reason=reason)


def refitted_long_ago(h: History) -> None:
    """Changed to a full face mask a year ago, and kept in supply since."""
    h.supply(but=WITH_MASK)
    on = add(h.since, QUARTER, h.quarters - 4)
    h.supply(*WITH_MASK, until=on - timedelta(days=12))
    h.refit(on, family_of("full face"))
    for part in mask_parts("full face", size="L"):
        ends_on = h.ends_on if part.kind is not Kind.HEADGEAR else add(on, QUARTER, 4)
        h.refill(part, ends_on=ends_on, since=on)


def cushion_lost(h: History) -> None:
    """A cushion tore; a spare took its place."""
    h.supply()
    h.lose(Kind.CUSHION, h.ago(6))


def swap_reported(h: History) -> None:
    """Changed the cushion before it was worn, and said so."""
    h.supply()
    h.swap(Kind.CUSHION, h.ago(3))


def swap_confirmed(h: History) -> None:
    """Changed the filter some days after the day on which it was assumed."""
    h.refill(FILTERS, ends_on=add(h.ago(5), Period(2, Unit.MONTH)))
    h.supply(but=(Kind.FILTER_DISPOSABLE,))
    h.swap(Kind.FILTER_DISPOSABLE, h.ago(2))


def dispense_voided(h: History) -> None:
    """One dispense was entered twice."""
    h.supply()
    last = max(h.gifts, key=lambda gift: gift.on)
    twin = [Part(line.item, line.quantity) for line in last.lines]
    last.void_reason = "Entered twice: the same parts, the same day."
    for part in twin:
        h.give(last.on, part)


def line_voided(h: History) -> None:
    """The wrong size was ticked in one dispense."""
    h.supply()
    last = max(h.gifts, key=lambda gift: gift.on)
    small = next(part for part in mask_parts("nasal", size="S") if part.kind is Kind.CUSHION)
    h.give(last.on, small, void_reason="Size S ticked by mistake; size M was handed over.")


def exchanged(h: History) -> None:
    """The cushions were too small, and came back within the week for the next size."""
    h.supply()
    last = max(h.gifts, key=lambda gift: gift.on)
    line = next(line for line in last.lines if part_types()[line.item.code].kind is Kind.CUSHION)
    small = next(part for part in mask_parts("nasal", size="S") if part.kind is Kind.CUSHION)
    first = Line(item=small.item, quantity=line.quantity, void_reason="exchanged: too small")
    last.lines[last.lines.index(line)] = first
    line.instead_of = first
    h.gift_on(weekday_by(last.on + timedelta(days=6))).lines.append(line)


def parcel_lost(h: History) -> None:
    """The parcel of the last quarter got lost; the parts were sent again."""
    h.supply()
    last = max(h.gifts, key=lambda gift: gift.on)
    lines = [Line(item=line.item, quantity=line.quantity) for line in last.lines]
    on = weekday_by(last.on - timedelta(days=8))
    h.gifts.append(Gift(on=on, lost_on=last.on, void_reason="Lost on the way", lines=lines))


def exception(h: History) -> None:
    """Got parts early, with a reason."""
    h.supply()
    reason = "Leaves for four months of work abroad; told that the payer may deny it."
    h.give(h.weekday_ago(16), h.part(Kind.CUSHION), exception_reason=reason)


def elsewhere(h: History) -> None:
    """Another supplier sent tubing on its own account."""
    h.supply()
    h.give(h.weekday_ago(33), h.part(Kind.TUBING), elsewhere=True)


def payer_changed(h: History) -> None:
    """Paid in the first year; a payer came later."""
    h.payers.append((add(h.since, QUARTER, 4) - timedelta(days=20), "Payer A"))
    h.supply()


def nothing_yet(h: History) -> None:
    """On record, with nothing dispensed yet."""


STORIES: tuple[Story, ...] = (
    Story(tell=odalys, ends=(-9, -9), quarters=6, payer="Payer B", style="nasal"),
    # overdue, by age of delay
    Story(tell=supplied, ends=(-3, -3), payer="Payer A"),
    Story(tell=filters_late, payer="Payer B"),
    Story(tell=supplied, ends=(-17, -17), payer="Payer B", style="full face"),
    Story(tell=mask_late, payer="Payer A", style="nasal pillows"),
    Story(tell=supplied, ends=(-48, -48), payer="Payer D", quarters=6),
    Story(tell=tubing_late, payer=""),
    Story(tell=supplied, ends=(-76, -76), payer="Payer A", style="nasal cradle"),
    Story(tell=supplied, ends=(-131, -131), payer="", quarters=5),
    Story(tell=headgear_late, payer="Payer B"),
    # waiting for coverage
    Story(tell=waits_after_end, payer="Payer C", style="nasal"),
    Story(tell=waits_before_end, payer="Payer C", style="full face"),
    Story(tell=mask_lost, ends=(55, 70), payer="Payer B", style="nasal"),
    # due today, ready, time to ask
    Story(tell=supplied, ends=(0, 0), payer="Payer A", style="nasal"),
    Story(tell=strap_due, payer="Payer D", style="nasal pillows", chin_strap=True),
    Story(tell=supplied, ends=(4, 6), payer="Payer B", style="nasal pillows"),
    Story(tell=supplied, ends=(7, 9), payer="Payer A", complete=True),
    Story(tell=mask_ready, payer="Payer B", style="nasal"),
    Story(tell=supplied, ends=(15, 18), payer="Payer A"),
    Story(tell=supplied, ends=(18, 21), payer="Payer C"),
    Story(tell=supplied, ends=(20, 24), payer="Payer B", complete=True, style="nasal"),
    Story(tell=supplied, ends=(24, 28), payer="", style="full face"),
    Story(tell=supplied, ends=(22, 28), payer="Payer D", quarters=4),
    # pauses
    Story(tell=paused_open, ends=(20, 30), payer="Payer A"),
    Story(tell=paused_until, ends=(5, 9), payer="Payer B"),
    Story(tell=paused_before, ends=(26, 40), payer="Payer A"),
    # what happened to parts
    Story(tell=refitted, ends=(45, 75), payer="Payer A", style="nasal"),
    Story(tell=refitted_long_ago, payer="Payer B", style="nasal"),
    Story(tell=cushion_lost, ends=(45, 60), payer="Payer B", style="nasal"),
    Story(tell=swap_reported, ends=(45, 55), payer="Payer A", style="full face"),
    Story(tell=swap_confirmed, payer="Payer D", style="nasal cradle"),
    Story(tell=cushion_every_two_weeks, payer="Payer D", style="nasal"),
    # records taken back, or outside the limits
    Story(tell=dispense_voided, payer="Payer A"),
    Story(tell=line_voided, payer="Payer B", style="nasal"),
    Story(tell=exception, ends=(34, 60), payer="Payer A", style="nasal"),
    Story(tell=elsewhere, ends=(34, 50), payer="Payer D"),
    Story(tell=payer_changed, payer=""),
    # off therapy, and new
    Story(tell=supplied, ends=(-210, -190), payer="Payer A", quarters=4, status=PatientStatus.ENDED),
    Story(tell=supplied, ends=(-140, -110), payer="", quarters=5, status=PatientStatus.ENDED),
    Story(tell=supplied, ends=(-60, -40), payer="Payer B", quarters=6, status=PatientStatus.DIED),
    Story(tell=supplied, ends=(-95, -70), payer="Payer D", quarters=4, status=PatientStatus.MOVED),
    Story(tell=supplied, ends=(78, 85), quarters=1, payer="Payer A", complete=True, style="nasal pillows"),
    Story(tell=nothing_yet, ends=(78, 85), quarters=1, payer="Payer B"),
    # in supply
    Story(tell=supplied, style="oral", payer="Payer A"),
    Story(tell=supplied, style="nasal", reusable=True, payer=""),
    Story(tell=supplied, style="full face", reusable=True, payer="Payer D", quarters=6),
    Story(tell=supplied, style="hybrid", payer="Payer B"),
    Story(tell=supplied, style="hybrid", payer="Payer A", complete=True),
    Story(tell=supplied, style="full face", complete=True, payer="Payer B"),
    Story(tell=supplied, style="nasal cradle", complete=True, payer=""),
    Story(tell=supplied, style="nasal", chin_strap=True, payer="Payer A"),
    *[Story(tell=supplied, quarters=quarters) for quarters in (8, 7, 6, 8, 3, 8, 5)],
    # exchanged, and lost on the way
    Story(tell=exchanged, ends=(45, 60), payer="Payer A", style="nasal"),
    Story(tell=parcel_lost, ends=(34, 50), payer="Payer B"),
)
