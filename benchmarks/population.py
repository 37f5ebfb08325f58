"""Invented patients in any number, always the same ones: the same seed gives the same rows.

Distributions (ours, made after common experience): names fall off as 1 / (rank + q), so that the most
common family name has about 1 % of all and the most common given name about 3 %, with thousands of rare
ones behind; one patient in eight has a second given name; ages gather around 60; telephone endings are
even; locations differ in size by a factor of twenty; one line in eight is overdue, most of them by weeks;
four patients in ten pay themselves, the others are spread over payers of which each is rarer than the one
before; one patient in a hundred pauses therapy.
"""

import tomllib
from collections.abc import Iterator
from datetime import date, timedelta
from itertools import accumulate, product
from pathlib import Path
from random import Random
from uuid import UUID

from resupply.models import Dispense, DispenseLine, Patient, PlanLine
from resupply.rules.tables import part_types

SEED = 20260318
TODAY = date(2026, 3, 18)
LOCATIONS = 20
PAYERS = 8
LINES = ("A7034", "A7032", "A7035", "A7037", "A7038", "A7046")
"""Codes of the lines of a patient: mask, cushion, headgear, tubing, filter, water chamber."""

_LISTS = tomllib.loads(Path(__file__).with_name("names.toml").read_text())


def names(which: str) -> list[str]:
    """All `given` or `family` names, the most common first."""
    made = ["".join(parts) for parts in product(*_LISTS[f"{which}_parts"])]
    Random(which).shuffle(made)
    listed: list[str] = _LISTS[which]
    return listed + made


def patients(number: int) -> Iterator[Patient]:
    """So many patients with ids from 1 on, not saved; location ids run from 1 to `LOCATIONS`."""
    dice = Random(SEED)
    given, family = names("given"), names("family")
    often_given, often_family = _falling(len(given), 3), _falling(len(family), 10)
    rooms = list(accumulate(20.0 / (rank + 1) for rank in range(LOCATIONS)))
    for pk in range(1, number + 1):
        first = dice.choices(given, cum_weights=often_given, k=2)
        yield Patient(
            pk=pk,
            public_id=UUID(int=dice.getrandbits(128), version=4),
            reference=f"{1_000_000 + pk * 7}",
            given_name=" ".join(first) if dice.random() < 1 / 8 else first[0],
            family_name=dice.choices(family, cum_weights=often_family)[0],
            birth_date=TODAY - timedelta(days=int(min(max(dice.gauss(60, 14), 1), 100) * 365.2425)),
            phone=f"({dice.randrange(201, 990)}) 555-{dice.randrange(10_000):04}",
            email=f"patient{pk}@mail.example" if dice.random() < 0.7 else "",
            address=f"{dice.randrange(1, 9999)} Example Street",
            time_zone="America/Denver",
            location_id=dice.choices(range(1, LOCATIONS + 1), cum_weights=rooms)[0],
            therapy_started_on=TODAY - timedelta(days=dice.randrange(4000)),
        )


def plan_lines(patient: Patient) -> Iterator[PlanLine]:
    """The lines of a patient, as lists and totals see them: no facts stand behind these."""
    dice = Random(SEED + patient.pk)
    payer = min(int(dice.expovariate(1 / 2)), PAYERS)
    paused = dice.random() < 1 / 100
    for code in LINES:
        late = dice.random() < 1 / 8
        ends = TODAY + timedelta(days=-int(dice.expovariate(1 / 45)) if late else dice.randrange(200))
        since = ends - timedelta(days=dice.randrange(14, 200))
        yield PlanLine(
            patient_id=patient.pk,
            location_id=patient.location_id,
            payer_id=payer or None,
            active=True,
            kind=part_types()[code].kind.value,
            part_code=code,
            in_use_since=since,
            worn_on=since + timedelta(days=30),
            spares=dice.randrange(4),
            supply_ends_on=ends,
            refill_on=ends,
            ask_from=ends - timedelta(days=30),
            deliver_from=ends - timedelta(days=10),
            delivery_lead=10,
            target_units=dice.randrange(1, 4),
            paused_from=TODAY - timedelta(days=20) if paused else None,
        )


def dispenses(patient: Patient) -> Iterator[tuple[Dispense, list[DispenseLine]]]:
    """Eight dispenses of five parts, a quarter of a year apart, with their ids."""
    for number in range(8):
        dispense = Dispense(
            pk=patient.pk * 10 + number,
            public_id=UUID(int=patient.pk * 10 + number, version=4),
            patient_id=patient.pk,
            location_id=patient.location_id,
            dispensed_on=TODAY - timedelta(days=patient.pk % 90 + 91 * number),
        )
        yield (
            dispense,
            [
                DispenseLine(
                    dispense_id=dispense.pk,
                    position=position,
                    part_code=code,
                    kind=part_types()[code].kind.value,
                    quantity=1,
                )
                for position, code in enumerate(LINES[:5])
            ],
        )


def _falling(number: int, q: int) -> list[float]:
    """Sums of 1 / (rank + q), rank from 1 on."""
    return list(accumulate(1 / (rank + q) for rank in range(1, number + 1)))
