"""No path that changes facts can leave a plan stale.

After every write, of every kind and in any order, the stored plans equal a rebuild from the records, to the
byte, and so do the rows that say which yes to a refill stands. Every patient is found by their own words, at
their own location.
"""

import os
from collections.abc import Mapping
from datetime import timedelta
from inspect import getclosurevars

import pytest
from django.db import transaction
from hypothesis import HealthCheck, given, note, settings
from hypothesis import strategies as st

from resupply.models import (
    FindToken,
    Patient,
    PatientStatus,
    PlanChecklist,
    PlanLine,
    PlanState,
    StandingYes,
)
from resupply.rules.periods import Period, Unit
from resupply.services import plans
from resupply.services.errors import Refused
from resupply.services.find_tokens import find_tokens
from resupply.services.policies import set_terms
from tests import builders
from tests.services.writes import World, Write, any_write

pytestmark = pytest.mark.django_db

DERIVED = (PlanLine, PlanChecklist, PlanState, StandingYes)
EXAMPLES = 1_000 if os.environ.get("HYPOTHESIS_PROFILE") == "deep" else 25


@given(writes=st.lists(any_write(), min_size=1, max_size=10))
@settings(
    max_examples=EXAMPLES,
    deadline=None,
    suppress_health_check=[
        HealthCheck.too_slow,
        HealthCheck.data_too_large,
        HealthCheck.function_scoped_fixture,
    ],
)
def test_after_any_writes_stored_plans_equal_a_rebuild(writes: list[Write]) -> None:
    with transaction.atomic():
        world = World.make()
        for write in writes:
            note(f"{write.__qualname__.split('.')[0]}: {getclosurevars(write).nonlocals}")
            try:
                write(world)
            except Refused:
                continue
            assert stored() == rebuilt(world)
            assert words_stored() == words_wanted()
        transaction.set_rollback(True)


def test_terms_that_lie_ahead_concern_no_patient_without_lines() -> None:
    """Found by the law above: the rebuild dated the plan of a patient who had been given nothing."""
    world = World.make()
    ahead = world.today + timedelta(days=1)
    set_terms(gap_days=7, target=Period(3, Unit.MONTH), effective_from=ahead, by=None, now=world.now)
    assert stored() == rebuilt(world)


def test_the_comparison_sees_a_stale_plan() -> None:
    """The check above can fail: a fact written behind the services' back shows."""
    world = World.make()
    builders.make_dispense(world.patients[0])
    assert stored() != rebuilt(world)


def words_stored() -> set[tuple[int, int, str]]:
    """Patient, location and word of every row that patients are found by."""
    return set(FindToken.objects.values_list("patient_id", "location_id", "token"))


def words_wanted() -> set[tuple[int, int, str]]:
    """The same from the patients on record; those of an undone import are not found."""
    known = Patient.objects.exclude(status=PatientStatus.WITHDRAWN)
    return {(patient.pk, patient.location_id, word) for patient in known for word in find_tokens(patient)}


def stored() -> Mapping[str, list[tuple[object, ...]]]:
    """Every derived row in full, but for the number the database gave it."""
    return {
        model.__name__: sorted(
            model._default_manager.order_by().values_list(
                *(field.attname for field in model._meta.concrete_fields if field.attname != "id")
            ),
            key=str,
        )
        for model in DERIVED
    }


def rebuilt(world: World) -> Mapping[str, list[tuple[object, ...]]]:
    """What a rebuild from the records stores where there is nothing; the stored rows stay as they were."""
    with transaction.atomic():
        for model in DERIVED:
            model._default_manager.all().delete()
        for _ in plans.rebuild_plans(now=world.now):
            pass
        found = stored()
        transaction.set_rollback(True)
    return found
