"""Builders for the tests of the rules, and the two engines that must agree."""

from collections.abc import Callable
from datetime import date

from resupply.rules.facts import (
    Allowance,
    CoverageSpan,
    Delivery,
    LifeVersion,
    PatientFacts,
    PayerTerms,
    Policy,
)
from resupply.rules.kinds import Kind
from resupply.rules.lines import plan_lines, read
from resupply.rules.periods import Period, Unit
from resupply.rules.tables import shipped_kinds, shipped_lives, shipped_refill_rules, usual_maximums
from tests.rules.simulation import Row, simulate

PAYER = "Payer One"
MASK, FULL_FACE, ORAL_MASK = "A7034", "A7030", "A7044"
CUSHION, FULL_FACE_CUSHION, PILLOWS = "A7032", "A7031", "A7033"
COMBINATION_PILLOWS, HEADGEAR, TUBING, FILTER = "A7029", "A7035", "A7037", "A7038"


def on(text: str) -> date:
    """A day written as YYYY-MM-DD."""
    return date.fromisoformat(text)


def days(n: int) -> Period:
    return Period(n, Unit.DAY)


def weeks(n: int) -> Period:
    return Period(n, Unit.WEEK)


def months(n: int) -> Period:
    return Period(n, Unit.MONTH)


def gave(
    quantity: int,
    code: str,
    day: str,
    *,
    family: str = "",
    first_use: str | None = None,
    contains: tuple[str, ...] = (),
    billed_to: str = "",
) -> Delivery:
    """A dispense of one row."""
    return Delivery(
        on=on(day),
        kind=shipped_kinds()[code],
        code=code,
        quantity=quantity,
        family=family,
        first_use_on=on(first_use) if first_use else None,
        contains=contains,
        billed_to=billed_to,
        ref=f"{quantity} {code} {day}",
    )


def own_life(code: str, *versions: tuple[str, Period | None]) -> dict[str, tuple[LifeVersion, ...]]:
    """Versions of the life of one code, as an own override or as the clinic's policy."""
    return {code: tuple(LifeVersion(on(day), life) for day, life in versions)}


def shipped_policy(**over: object) -> Policy:
    """The shipped tables with one payer who follows them, and whatever is overridden."""
    values: dict[str, object] = {
        "kinds": shipped_kinds(),
        "default_lives": shipped_lives(),
        "payers": {PAYER: published_payer()},
    }
    return Policy(**(values | over))  # type: ignore[arg-type]


def published_payer(**allowances: Allowance) -> PayerTerms:
    """A payer with the published usual maximums and refill rule, and some allowances of its own."""
    own = {**usual_maximums(), **allowances}
    return PayerTerms({code: (allowance,) for code, allowance in own.items()}, shipped_refill_rules())


def insured(start: str = "2000-01-01", payer: str = PAYER) -> tuple[CoverageSpan, ...]:
    return (CoverageSpan(on(start), payer),)


Engine = Callable[[PatientFacts, Policy, date], list[Row]]


def by_rules(facts: PatientFacts, policy: Policy, as_of: date) -> list[Row]:
    """The rules' answer in the shape of the simulation's."""
    rows = []
    for plan in plan_lines(facts, policy, as_of=as_of):
        status = read(plan, as_of=as_of)
        rows.append(
            Row(
                kind=plan.kind,
                part_code=plan.code,
                in_use_since=plan.in_use_since,
                worn_on=plan.worn_on,
                spares=plan.spares,
                supply_ends_on=plan.supply_ends_on,
                covered_from=plan.covered_from,
                refill_on=plan.refill_on,
                ask_from=plan.ask_from,
                deliver_from=plan.deliver_from,
                quantity_limit=status.quantity_limit,
                quantity_suggested=status.quantity_suggested,
                state=status.state.value,
                days_overdue=status.days_overdue,
            )
        )
    return rows


def by_simulation(facts: PatientFacts, policy: Policy, as_of: date) -> list[Row]:
    """The literal walk's answer."""
    return simulate(facts, policy, as_of=as_of)


def line(rows: list[Row], kind: Kind) -> Row:
    """The row of one kind."""
    found = [row for row in rows if row.kind == kind]
    assert len(found) == 1, [row.kind for row in rows]
    return found[0]


def text(day: date | None) -> str | None:
    """A day as text, None as None."""
    return day.isoformat() if day is not None else None


def shown(row: Row) -> tuple[str | None, str | None, int, str]:
    """In use since, worn on, spares, supply ends, as text."""
    return (text(row.in_use_since), text(row.worn_on), row.spares, row.supply_ends_on.isoformat())
