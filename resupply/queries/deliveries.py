"""Deliveries planned for a patient: the next one from the stored plan, a year of them from the records.

What the patient said yes to may go out today; the rest waits for an answer, for which a week is allowed.
"""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from resupply.models import Patient
from resupply.queries.facts import patient_facts, policy
from resupply.queries.open_days import of_location
from resupply.rules.bundling import DeliveryDay, OpenDays, Refill, fewest_deliveries, first_delivery
from resupply.rules.chains import chain, first_refill, terms_of
from resupply.rules.kinds import PLACE
from resupply.rules.lines import LinePlan
from resupply.rules.periods import Period, Unit, add
from resupply.rules.questions import ANSWER_TIME

A_YEAR = Period(12, Unit.MONTH)


@dataclass(frozen=True, slots=True)
class NextDelivery:
    """The next delivery of a patient, and what it was chosen from."""

    day: DeliveryDay
    refills: tuple[Refill, ...]
    open_days: OpenDays

    @property
    def kinds(self) -> list[str]:
        """The kinds of its parts, the mask and what belongs to it first."""
        return [met.refill.kind for met in self.day.met]


def next_delivery(
    lines: Iterable[LinePlan], open_days: OpenDays, *, said_yes: Collection[str], today: date
) -> NextDelivery | None:
    """The next delivery from the plans of a patient's lines; None: none can be foreseen. No query."""
    refills = tuple(
        refill
        for line in sorted(lines, key=lambda line: PLACE[line.kind])
        if (refill := first_refill(line, earliest=_earliest(line, said_yes, today), as_of=today))
    )
    day = first_delivery(refills, open_days)
    return NextDelivery(day, refills, open_days) if day else None


def of_patient(
    patient: Patient, lines: Iterable[LinePlan], *, said_yes: Collection[str], today: date
) -> NextDelivery | None:
    """The next delivery on the open days of the patient's location. One query."""
    open_days = of_location(patient.location, since=today)
    return next_delivery(lines, open_days, said_yes=said_yes, today=today)


def year_ahead(
    patient: Patient,
    lines: Sequence[LinePlan],
    open_days: OpenDays,
    *,
    said_yes: Collection[str],
    today: date,
) -> tuple[DeliveryDay, ...]:
    """The fewest deliveries that serve every refill whose window opens within a year. Three queries."""
    facts, in_force = patient_facts([patient.pk])[patient.pk], policy()
    refills: list[Refill] = []
    for line in sorted(lines, key=lambda line: PLACE[line.kind]):
        refills += chain(
            line,
            terms_of(line, facts, in_force, as_of=today),
            open_days,
            earliest=_earliest(line, said_yes, today),
            as_of=today,
            until=add(today, A_YEAR),
        )
    return fewest_deliveries(refills, open_days)


def _earliest(line: LinePlan, said_yes: Collection[str], today: date) -> date:
    return today if line.kind.value in said_yes else today + ANSWER_TIME
