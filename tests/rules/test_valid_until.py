"""Until when a stored plan holds, and which life counts on the very day a version begins.

Sentences of the contract: a row is valid until a life version comes into force, a future fact reaches its
day, or time passes over an open pause; a version acts from its effective date on.
"""

import pytest

from resupply.rules.facts import LifeStep, PatientFacts, Pause
from resupply.rules.lines import plan_patient
from resupply.rules.versions import life_on
from tests.rules.build import CUSHION, gave, months, on, own_life, shipped_policy, weeks

AS_OF = on("2026-03-18")
GIVEN = (gave(1, CUSHION, "2026-03-01"),)


@pytest.mark.parametrize(
    ("over", "clinic", "until", "sentence"),
    [
        ({}, {}, None, "nothing lies ahead and no spare starts"),
        ({"own_lives": own_life(CUSHION, ("2026-03-25", weeks(2)))}, {}, "2026-03-25", "an own life ahead"),
        ({}, own_life(CUSHION, ("2026-04-02", weeks(2))), "2026-04-02", "the clinic's life ahead"),
        ({"pauses": (Pause(on("2026-03-18"), None),)}, {}, "2026-03-19", "an open pause from today on"),
        ({"pauses": (Pause(on("2026-03-20"), None),)}, {}, "2026-03-20", "a pause that has not begun"),
    ],
)
def test_until_when_a_plan_holds(over, clinic, until, sentence):
    policy = shipped_policy(**({"clinic_lives": clinic} if clinic else {}))
    plan = plan_patient(PatientFacts(**({"deliveries": GIVEN} | over)), policy, as_of=AS_OF)
    assert plan.valid_until == (until and on(until)), sentence


def test_a_version_counts_on_the_day_it_begins():
    schedule = (LifeStep(on("2000-01-01"), months(3), ""), LifeStep(on("2026-03-18"), months(2), ""))
    assert life_on(schedule, on("2026-03-17")).life == months(3)
    assert life_on(schedule, on("2026-03-18")).life == months(2)
