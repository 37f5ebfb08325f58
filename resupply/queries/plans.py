"""Stored plans as the rules read them."""

from datetime import date

from resupply.models import PlanLine
from resupply.rules.kinds import Kind
from resupply.rules.lines import LinePlan
from resupply.rules.periods import Period, Unit


def to_plan(row: PlanLine, *, valid_until: date | None = None) -> LinePlan:
    """The plan a row stores; `read` it for state and quantities."""
    period = None
    if row.allowance_count is not None and row.allowance_unit is not None:
        period = Period(row.allowance_count, Unit(row.allowance_unit))
    return LinePlan(
        kind=Kind(row.kind),
        code=row.part_code,
        in_use_since=row.in_use_since,
        worn_on=row.worn_on,
        spares=row.spares,
        supply_ends_on=row.supply_ends_on,
        covered_from=row.covered_from,
        refill_on=row.refill_on,
        ask_from=row.ask_from,
        deliver_from=row.deliver_from,
        allowance_units=row.allowance_units,
        allowance_period=period,
        allowance_at_once=row.allowance_at_once,
        covered_starts=tuple(row.covered_starts),
        billed_on=tuple(row.billed_on),
        delivery_lead=row.delivery_lead,
        target_units=row.target_units,
        paused_from=row.paused_from,
        paused_until=row.paused_until,
        changes_on=tuple(row.changes_on),
        valid_until=valid_until,
        units_started=row.units_started,
    )
