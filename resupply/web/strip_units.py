"""The units of a line as a supply strip draws them."""

from collections.abc import Iterator
from datetime import date

from resupply.rules.wear import LineWear
from resupply.web.strip import StripUnit


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
