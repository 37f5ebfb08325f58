"""No database and no Django here.

`pytest -p no:django --confcutdir tests/rules tests/rules` runs these alone; with HYPOTHESIS_PROFILE=deep each
law is tried on 10,000 cases.
"""

import os

import pytest
from hypothesis import HealthCheck, Phase, settings

from tests.rules.build import Engine, by_rules, by_simulation

_SLOW = [HealthCheck.too_slow, HealthCheck.data_too_large]
settings.register_profile("quick", max_examples=200, deadline=None, suppress_health_check=_SLOW)
settings.register_profile("deep", max_examples=10_000, deadline=None, suppress_health_check=_SLOW)
settings.register_profile(  # for the mutation tester: it asks only whether something fails
    "mutation",
    max_examples=100,
    deadline=None,
    derandomize=True,
    database=None,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=_SLOW,
)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "quick"))


@pytest.fixture(params=[by_rules, by_simulation], ids=["rules", "simulation"])
def engine(request: pytest.FixtureRequest) -> Engine:
    """The rules and the literal walk: every worked example holds for both."""
    chosen: Engine = request.param
    return chosen
