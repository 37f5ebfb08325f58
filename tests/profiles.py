"""How thoroughly Hypothesis tries, for all tests alike: HYPOTHESIS_PROFILE names it.

None has a deadline: no test is timed.
"""

import os

from hypothesis import HealthCheck, Phase, settings

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
