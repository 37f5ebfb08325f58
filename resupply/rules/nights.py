"""Nights as files bring them: columns, units and what a cell may hold, in one set of units.

The rule in plain words. A file has one row a night: `night_date`, use, AHI-Flow, pressure and leak as median
(p50) and 95th percentile (p95), the kind of leak, and where it comes from. A column's name ends in its unit
(`press_p95_cmh2o` or `press_p95_hpa`, `leak_p95_lpm` or `leak_p95_lps`, `usage_min` or `usage_h`); everything
is kept in minutes, cmH2O and L/min. The kind of leak is kept as the device reports it (total, unintentional):
there is no standard, and no limit that holds for all. AHI-Flow is the name for what a device estimates on
therapy; it is no diagnostic AHI.

Edge cases: an empty cell is no value, a column that is missing likewise; of two columns for one value in
different units only one may be there. A use of 239.6 minutes stays 239: minutes are never rounded up.

Sources: ATS 2013 (AJRCCM 2013;188:613) for the name AHI-Flow and that definitions of leak differ; UCUM for
the units (from memory); 1 cmH2O = 0.980665 hPa.

>>> columns_of(["night_date", "usage_h", "leak_p95_lps"])["leak_p95"].per_unit
Decimal('60')
>>> read_value(columns_of(["usage_h"])["usage"], "3.99")
Decimal('239')
>>> to_hpa(Decimal("12"))
Decimal('11.767980')
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import ROUND_FLOOR, ROUND_HALF_UP, Decimal, InvalidOperation

HPA_PER_CMH2O = Decimal("0.980665")
LPM_PER_LPS = Decimal(60)


@dataclass(frozen=True, slots=True)
class Measure:
    """A value of a night: the least and most it may be, in the unit it is kept in, and its decimals."""

    name: str
    words: str
    unit: str
    most: Decimal
    decimals: int


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a file: what it measures, and how much of the kept unit one of its own is."""

    header: str
    measure: Measure
    per_unit: Decimal


class TwiceError(ValueError):
    """Two columns bring one value; the message names them."""


_USE = Measure("usage", "use", "min", Decimal(1440), 0)
_AHI = Measure("ahi_flow", "AHI-Flow", "/h", Decimal(200), 1)
_PRESSURES = [Measure(f"press_{p}", f"pressure, {p}", "cmH2O", Decimal(40), 1) for p in ("p50", "p95")]
_LEAKS = [Measure(f"leak_{p}", f"leak, {p}", "L/min", Decimal(300), 1) for p in ("p50", "p95")]
_ONE = Decimal(1)

COLUMNS: Mapping[str, Column] = {
    column.header: column
    for column in [
        Column("usage_min", _USE, _ONE),
        Column("usage_h", _USE, Decimal(60)),
        Column("ahi_flow", _AHI, _ONE),
        *(Column(f"{p.name}_cmh2o", p, _ONE) for p in _PRESSURES),
        *(Column(f"{p.name}_hpa", p, 1 / HPA_PER_CMH2O) for p in _PRESSURES),
        *(Column(f"{leak.name}_lpm", leak, _ONE) for leak in _LEAKS),
        *(Column(f"{leak.name}_lps", leak, LPM_PER_LPS) for leak in _LEAKS),
    ]
}
"""Every column of values a file may have, by its header."""

_FAR = Decimal(10**6)
"""Numbers beyond it are out of range in any unit; larger ones would overflow."""

OTHER_COLUMNS = ("night_date", "leak_kind", "source")


def columns_of(headers: Iterable[str]) -> dict[str, Column]:
    """The columns of values among these headers, by the name of what they measure. Raises TwiceError."""
    found: dict[str, Column] = {}
    for column in (COLUMNS[header] for header in headers if header in COLUMNS):
        if earlier := found.get(column.measure.name):
            raise TwiceError(f"{earlier.header} and {column.header}")
        found[column.measure.name] = column
    return found


def read_value(column: Column, cell: str) -> Decimal | None:
    """A cell in the unit that is kept, None where it is empty. Raises ValueError: no number, out of range."""
    if not cell.strip():
        return None
    try:
        number = Decimal(cell.strip())
    except InvalidOperation:
        raise ValueError("no number") from None
    if not number.is_finite():
        raise ValueError("no number")
    measure = column.measure
    kept = min(max(number, -_FAR), _FAR) * column.per_unit
    if not 0 <= kept <= measure.most:
        raise ValueError(f"out of range: 0 to {measure.most} {measure.unit}")
    rounding = ROUND_FLOOR if measure is _USE else ROUND_HALF_UP
    return kept.quantize(Decimal(1).scaleb(-measure.decimals), rounding=rounding)


def to_hpa(cmh2o: Decimal) -> Decimal:
    """A pressure in cmH2O as hPa."""
    return cmh2o * HPA_PER_CMH2O
