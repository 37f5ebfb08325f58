"""A line of a plan as a supply strip draws it: its dates, and its units one by one."""

from collections.abc import Iterator, Sequence
from datetime import date

from resupply.rules.facts import Pause
from resupply.rules.lines import LinePlan, LineStatus
from resupply.rules.wear import LineWear
from resupply.web.strip import StripLine, StripUnit


def strip_line(
    kind: str,
    part: str,
    plan: LinePlan,
    status: LineStatus,
    units: tuple[StripUnit, ...],
    pauses: Sequence[Pause],
    why_url: str = "",
) -> StripLine:
    """The line of a plan as staff see it, with how it stands on the day of the page."""
    return StripLine(
        kind,
        part,
        units=units,
        ask_from=plan.ask_from,
        deliver_from=plan.deliver_from,
        supply_ends_on=plan.supply_ends_on,
        covered_from=plan.covered_from,
        pauses=tuple((pause.start, pause.until) for pause in pauses),
        state=status.state.value,
        days_overdue=status.days_overdue,
        waiting=status.waiting_for_coverage,
        spares=plan.spares,
        worn_on=plan.worn_on,
        why_url=why_url,
    )


def strip_units(line: LineWear, *, today: date) -> tuple[StripUnit, ...]:
    """Units that left, the one in use, worn or not, and the spares as they are expected to start."""
    return tuple(_units(line, today))


def _units(line: LineWear, today: date) -> Iterator[StripUnit]:
    for unit in line.units:
        if unit.left_on is None:
            yield StripUnit(unit.started_on, unit.worn.on, "in_use")
            if unit.worn.on < today:
                yield StripUnit(unit.worn.on, today, "worn")
        elif unit.started_on < unit.left_on:
            yield StripUnit(unit.started_on, unit.left_on, "past")
    for unit in line.projected:
        yield StripUnit(unit.started_on, unit.worn.on, "spare")
