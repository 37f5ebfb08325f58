"""Nights: units, cells and codes against the check values we could find."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from resupply.rules.nights import COLUMNS, TwiceError, columns_of, read_value, to_hpa


def test_units():
    """1 cmH2O = 0.980665 hPa by definition of the units."""
    assert to_hpa(Decimal(10)) == Decimal("9.80665")
    assert to_hpa(Decimal(12)) == Decimal("11.76798")


@pytest.mark.parametrize(
    ("header", "cell", "kept"),
    [
        ("usage_min", "240", "240"),
        ("usage_min", "239.9", "239"),
        ("usage_h", "4", "240"),
        ("usage_h", "3.9999", "239"),
        ("press_p95_hpa", "9.80665", "10.0"),
        ("press_p50_cmh2o", "11.25", "11.3"),
        ("leak_p95_lps", "0.4", "24.0"),
        ("leak_p50_lpm", " 24 ", "24.0"),
        ("ahi_flow", "", None),
    ],
)
def test_cells_are_kept_in_one_unit(header, cell, kept):
    assert read_value(COLUMNS[header], cell) == (kept and Decimal(kept))


@pytest.mark.parametrize(
    ("header", "cell", "says"),
    [
        ("usage_min", "1441", "0 to 1440 min"),
        ("usage_min", "-1", "out of range"),
        ("press_p95_cmh2o", "41", "0 to 40 cmH2O"),
        ("leak_p95_lpm", "ten", "no number"),
        ("leak_p95_lpm", "NaN", "no number"),
        ("ahi_flow", "1e999999999", "out of range"),
    ],
)
def test_a_cell_that_cannot_be_is_refused(header, cell, says):
    with pytest.raises(ValueError, match=says):
        read_value(COLUMNS[header], cell)


def test_one_value_in_two_units_is_refused():
    with pytest.raises(TwiceError, match="leak_p95_lpm and leak_p95_lps"):
        columns_of(["night_date", "leak_p95_lpm", "leak_p95_lps"])
    assert set(columns_of(["night_date", "usage_h", "source", "colour"])) == {"usage"}


@given(st.sampled_from(sorted(COLUMNS)), st.text(max_size=40))
def test_no_cell_crashes_the_reading(header, cell):
    try:
        value = read_value(COLUMNS[header], cell)
    except ValueError:
        return
    assert value is None or 0 <= value <= COLUMNS[header].measure.most


@given(st.decimals(0, 40, places=3))
def test_the_same_pressure_in_either_unit_is_kept_alike(pressure):
    kept = read_value(COLUMNS["press_p95_cmh2o"], str(pressure))
    other = read_value(COLUMNS["press_p95_hpa"], str(to_hpa(pressure)))
    assert kept is not None
    assert other is not None
    assert abs(kept - other) <= Decimal("0.1")
