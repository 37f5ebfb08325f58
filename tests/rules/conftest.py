"""No database and no Django here.

`pytest -p no:django --confcutdir tests/rules tests/rules` runs these alone; with HYPOTHESIS_PROFILE=deep each
law is tried on 10,000 cases.
"""

import pytest

import tests.profiles  # noqa: F401 - chooses how thoroughly laws are tried
from tests.rules.build import Engine, by_rules, by_simulation


@pytest.fixture(params=[by_rules, by_simulation], ids=["rules", "simulation"])
def engine(request: pytest.FixtureRequest) -> Engine:
    """The rules and the literal walk: every worked example holds for both."""
    chosen: Engine = request.param
    return chosen
