"""The invented therapist's work: matches, fittings with their leak maps, follow-ups and nights.

Each patient's first complete mask was fitted; some were fitted anew not long ago. Of those, some have been
followed up and some are still to be. Every fifth patient's nights are on record, and with two of them leak
has risen since the cushion in use was begun.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from decimal import Decimal
from random import Random

from resupply.models import (
    BodyPosition,
    DispenseLine,
    Fitting,
    FittingOutcome,
    FittingTry,
    FollowUp,
    MatchRecord,
    Night,
    NightImport,
    Patient,
    PatientStatus,
    PlanLine,
)
from resupply.rules import fitting
from resupply.rules.follow_ups import SHIPPED
from resupply.rules.kinds import Kind
from resupply.rules.leaks import LeakKind
from resupply.rules.matching import match, shipped
from resupply.services.demo.clinic import Clinic
from resupply.services.demo.dates import weekday_by
from resupply.services.records import stamp

_ANSWERS = {
    "nasal_pillows": {"facial_hair": ["yes"], "congestion": ["none"], "positions": ["side"]},
    "nasal_cradle": {"direct_air": ["sensitive"], "congestion": ["none"], "in_bed": ["glasses", "reads"]},
    "nasal": {"breathing": ["nose"], "congestion": ["at_times"], "direct_air": ["sensitive"]},
    "full_face": {"breathing": ["mouth"], "congestion": ["chronic"]},
    "hybrid": {"breathing": ["mouth"], "closeness": ["some"], "in_bed": ["glasses"]},
}
"""What was answered where a style was chosen."""

FITTED_ANEW = 100
"""Days back within which the newest mask of every fourth patient was fitted anew."""

NIGHTS, MOST_RISEN = 60, 2
_WORDS = ("a size smaller", "straps a little looser", "the upper straps first")


@dataclass(slots=True)
class _Rows:
    """Rows to write."""

    matches: list[MatchRecord] = field(default_factory=list)
    fittings: list[Fitting] = field(default_factory=list)
    tries: list[FittingTry] = field(default_factory=list)
    follow_ups: list[FollowUp] = field(default_factory=list)
    imports: list[NightImport] = field(default_factory=list)
    nights: list[Night] = field(default_factory=list)
    risen: int = 0
    """Patients whose leak has risen."""

    def write(self) -> None:
        """Store them, so many statements however many there are."""
        MatchRecord.objects.bulk_create(self.matches)
        Fitting.objects.bulk_create(self.fittings)
        FittingTry.objects.bulk_create(self.tries)
        FollowUp.objects.bulk_create(self.follow_ups)
        NightImport.objects.bulk_create(self.imports)
        Night.objects.bulk_create(self.nights)


def write_fitting_room(clinic: Clinic, *, today: date, now: datetime) -> None:
    """Write it all; dispenses and plans are on record already."""
    rows, masks = _Rows(), _masks()
    people = Patient.objects.filter(status=PatientStatus.ON_THERAPY).select_related("location")
    cushions = dict(
        PlanLine.objects.filter(kind=Kind.CUSHION, in_use_since__isnull=False).values_list(
            "patient", "in_use_since"
        )
    )
    for place, person in enumerate(people.order_by("reference")):
        dice = Random(f"fitting {person.reference}")  # noqa: S311 - no secrets
        given = masks.get(person.pk, [])
        if given:
            _fit(rows, person, given[0], clinic, dice, now)
        if place % 4 == 1 and len(given) > 1 and _is_recent(given[-1], today):
            _fit(rows, person, given[-1], clinic, dice, now)
            _follow_up(rows, person, given[-1].dispense.dispensed_on, clinic, dice, today, now)
        if place % 5 == 2:
            _nights(rows, person, cushions.get(person.pk), clinic, dice, today, now)
    rows.write()


def _is_recent(line: DispenseLine, today: date) -> bool:
    """Whether a mask was given not long ago."""
    return line.dispense.dispensed_on >= today - timedelta(days=FITTED_ANEW)


def _masks() -> dict[int, list[DispenseLine]]:
    """The complete masks of a known style each patient was given here, oldest first."""
    found: dict[int, list[DispenseLine]] = {}
    lines = DispenseLine.objects.filter(kind=Kind.MASK, voided_at=None).exclude(item=None)
    for line in lines.select_related("dispense", "item").order_by("dispense__dispensed_on", "pk"):
        if line.item is not None and line.item.style:
            found.setdefault(line.dispense.patient_id, []).append(line)
    return found


def _fit(
    rows: _Rows, person: Patient, line: DispenseLine, clinic: Clinic, dice: Random, now: datetime
) -> None:
    """A match and a fitting that ended in the mask given that day."""
    item, on = line.item, line.dispense.dispensed_on
    if item is None:
        return
    mark = stamp(clinic.therapist, min(_noon(on, now), now))
    answers = _ANSWERS[item.style]
    made = MatchRecord(
        patient=person,
        answered_on=on,
        answers=answers,
        order=list(match(answers, shipped()).order),
        style=item.style,
        **mark,
    )
    visit = Fitting(
        patient=person,
        location=person.location,
        fitted_on=on,
        match=made,
        outcome=FittingOutcome.KEPT,
        item_kept=item,
        size_kept=item.size,
        dispense=line.dispense,
        **mark,
    )
    rows.matches.append(made)
    rows.fittings.append(visit)
    rows.tries += _tries(visit, item.style, dice)


def _tries(visit: Fitting, style: str, dice: Random) -> Iterator[FittingTry]:
    """One to three tries, the last without a leak."""
    item, count = visit.item_kept, dice.randrange(1, 4)
    if item is None:
        return
    for position in range(1, count + 1):
        leaks = dict.fromkeys(fitting.sites(style), fitting.Leak.NONE.value)
        if position < count:
            grade = fitting.Leak.STRONG if position == 1 else fitting.Leak.SLIGHT
            leaks[dice.choice(fitting.sites(style))] = grade.value
        yield FittingTry(
            fitting=visit,
            position=position,
            item=item,
            style=style,
            size=item.size if position == count else "",
            pressure=Decimal(dice.randrange(14, 28)) / 2,
            lying=dice.choice([BodyPosition.BACK, BodyPosition.SIDE]),
            leaks=leaks,
            next_change=dice.choice(_WORDS) if position < count else "",
        )


def _follow_up(
    rows: _Rows, person: Patient, fitted_on: date, clinic: Clinic, dice: Random, today: date, now: datetime
) -> None:
    """The first contact after a fitting: made with most, with some still to be."""
    step = SHIPPED[0]
    on = weekday_by(fitted_on + timedelta(days=dice.randrange(step.from_day + 2, step.to_day + 3)))
    if on > today or dice.random() < 0.4:
        return
    troubles = dice.choice([[], [], ["leak"], ["marks"], ["dry_mouth"]])
    rows.follow_ups.append(
        FollowUp(
            patient=person,
            on=on,
            step=step.step,
            reached=True,
            problems=troubles,
            note="Sleeps through most nights." if not troubles else "",
            **stamp(clinic.therapist, min(_noon(on, now), now)),
        )
    )


def _nights(
    rows: _Rows,
    person: Patient,
    cushion_since: date | None,
    clinic: Clinic,
    dice: Random,
    today: date,
    now: datetime,
) -> None:
    """Sixty nights up to yesterday; with the first two who use their cushion long enough, leak has risen."""
    days = [today - timedelta(days=n) for n in range(NIGHTS, 0, -1)]
    days = [day for day in days if person.therapy_started_on is None or day >= person.therapy_started_on]
    if not days:
        return
    rises = cushion_since is not None and (today - cushion_since).days >= 24 and rows.risen < MOST_RISEN
    rows.risen += rises
    mark = stamp(clinic.therapist, now)
    brought = NightImport(patient=person, rows=len(days), first_night=days[0], last_night=days[-1], **mark)
    rows.imports.append(brought)
    usual = dice.randrange(14, 30)
    for day in days:
        worn_for = (day - cushion_since).days if cushion_since and day >= cushion_since else 0
        more = 26 if rises and worn_for >= 16 else 0
        rows.nights.append(_night(person, brought, day, usual + more, dice))


def _night(person: Patient, brought: NightImport, day: date, leak: int, dice: Random) -> Night:
    used = 0 if dice.random() < 0.06 else dice.randrange(190, 520)
    return Night(
        patient=person,
        brought_by=brought,
        night_on=day,
        usage_min=used,
        ahi_flow=Decimal(dice.randrange(5, 60)) / 10 if used else None,
        press_p95=Decimal(dice.randrange(160, 240)) / 20 if used else None,
        leak_p50=Decimal(max(leak - dice.randrange(6, 11), 0)) if used else None,
        leak_p95=Decimal(leak) + Decimal(dice.randrange(-30, 31)) / 10 if used else None,
        leak_kind=LeakKind.TOTAL,
        source="device card (demo)",
        recorded_at=brought.recorded_at,
        recorded_by_id=brought.recorded_by_id,
    )


def _noon(day: date, now: datetime) -> datetime:
    """Midday of the rooms' zones on a day, in UTC."""
    return datetime(day.year, day.month, day.day, 19, tzinfo=now.tzinfo)
