"""The examples of `rules/health.py`; tests/clinic/test_health.py has the table of bounds."""

import doctest

from resupply.rules import health


def test_the_examples_hold() -> None:
    assert doctest.testmod(health).failed == 0
