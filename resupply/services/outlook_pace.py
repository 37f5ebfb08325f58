"""The clinic's own pace, for the outlook: how long refills took, learned from a sample of its patients."""

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import TypedDict, TypeVar

from resupply.models import Patient, PatientStatus
from resupply.queries import facts as fact_queries
from resupply.rules.delays import Curve, Delay, kaplan_meier
from resupply.rules.demand import paces
from resupply.rules.facts import PatientFacts, Policy
from resupply.rules.lines import LinePlan, plan_lines
from resupply.services.chunks import chunks

T = TypeVar("T")
SAMPLE = 3_000
"""Patients, at most, whose refills of the last year tell the clinic's pace: spread over all there are."""
LOOKED_BACK = timedelta(days=365)
ENOUGH = 30
"""Dispenses of a kind at a location from which on its own pace is used, not that of all locations (ours)."""
BATCH = 500


class Seen(TypedDict):
    """Refills of one kind at one location: days as text -> how many were dispensed then, and how many still
    wait.
    """

    location: int
    kind: str
    known: dict[str, int]
    open: dict[str, int]


def look_back(*, today: date) -> list[Seen]:
    """Refills of the last year of a sample of patients on therapy: their window opened within that year.

    A part counts as a refill where it came in its window or after it. Who is in a pause is left out.
    """
    since = today - LOOKED_BACK
    everyone = Patient.objects.filter(status=PatientStatus.ON_THERAPY).order_by("pk")
    sample = dict(spread(list(everyone.values_list("pk", "location")), most=SAMPLE))
    seen: dict[tuple[int, str], tuple[Counter[str], Counter[str]]] = {}
    policy = fact_queries.policy()
    for batch in chunks(sample, size=BATCH):
        for pk, facts in fact_queries.patient_facts(batch).items():
            for line, delay in delays_of(facts, policy, since=since, today=today):
                known, still = seen.setdefault((sample[pk], line.kind.value), (Counter(), Counter()))
                (known if delay.is_known else still)[str(delay.days)] += 1
    return [
        Seen(location=location, kind=kind, known=dict(known), open=dict(still))
        for (location, kind), (known, still) in sorted(seen.items())
    ]


def spread(values: Sequence[T], *, most: int) -> Sequence[T]:
    """At most so many of the values, evenly spread over them."""
    if len(values) <= most:
        return values
    return [values[place * len(values) // most] for place in range(most)]


def delays_of(
    facts: PatientFacts, policy: Policy, *, since: date, today: date
) -> Iterator[tuple[LinePlan, Delay]]:
    """The refills of a patient whose window opened from a day on, each with the line as it stood before."""
    for day in sorted({given.on for given in facts.deliveries if since < given.on < today}):
        came = {given.kind for given in facts.deliveries if given.on == day}
        for line in plan_lines(facts, policy, as_of=day - timedelta(days=1)):
            if line.kind in came and since <= line.deliver_from <= day:
                yield line, Delay((day - line.refill_on).days, True)
    yesterday = today - timedelta(days=1)
    for line in plan_lines(facts, policy, as_of=yesterday):
        if since <= line.deliver_from <= yesterday and line.paused_from is None:
            yield line, Delay((yesterday - line.refill_on).days, False)


@dataclass(slots=True)
class Paces:
    """Curves by location and kind: its own where enough was seen, else that of all locations, else of all.

    Where even that is too little, refills count on their refill date, or today: nothing must be ordered short
    because a clinic is new.
    """

    seen: Sequence[Seen]
    curves: dict[tuple[int, str], Curve | None] = field(default_factory=dict)
    spread: dict[tuple[object, ...], list[list[float]]] = field(default_factory=dict)

    def of(self, location: int, kind: str) -> Curve | None:
        """The curve that counts for a kind at a location; None: too little is known."""
        if (location, kind) not in self.curves:
            here = [one for one in self.seen if one["kind"] == kind]
            for rows in ([one for one in here if one["location"] == location], here, list(self.seen)):
                curve = kaplan_meier(_delays(rows))
                if curve.dispensed >= ENOUGH:
                    self.curves[location, kind] = curve
                    break
            else:
                self.curves[location, kind] = None
        return self.curves[location, kind]

    def chances(
        self, location: int, kind: str, first: int, gaps: tuple[int, ...], *, waits: bool, until: int
    ) -> list[list[float]]:
        """`demand.paces` of a chain; chains alike are worked out once. `waits`: its window has opened."""
        key = (location, kind, first, gaps, waits)
        if key not in self.spread:
            curve = self.of(location, kind)
            others = curve.chances() if curve else [(0, 1.0)]
            own = others
            if waits:
                own = curve.chances_beyond(-first - 1) if curve else [(max(-first, 0), 1.0)]
            self.spread[key] = paces(first, gaps, first_chances=own, chances=others, until=until)
        return self.spread[key]


def _delays(rows: Iterable[Seen]) -> Iterator[Delay]:
    for row in rows:
        for days, number in row["known"].items():
            yield from [Delay(int(days), True)] * number
        for days, number in row["open"].items():
            yield from [Delay(int(days), False)] * number
