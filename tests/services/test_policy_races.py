"""A policy that changes while parts are dispensed: whoever comes second sees what the first wrote."""

import threading
from collections.abc import Callable
from datetime import date

import pytest
from django.db import connection, transaction

from resupply.models import PlanLine
from resupply.rules.periods import Period, Unit
from resupply.services import plans, policies
from tests import builders
from tests.cast import Cast

GIVEN_ON = date(2026, 3, 2)


def in_thread(work: Callable[[], object]) -> threading.Thread:
    """Run something on a connection of its own."""

    def run() -> None:
        try:
            work()
        finally:
            connection.close()

    thread = threading.Thread(target=run)
    thread.start()
    return thread


def shorten_life() -> None:
    policies.set_life(
        "A7032",
        Period(2, Unit.WEEK),
        effective_from=date(2020, 1, 1),
        reason="wears faster here",
        by=None,
        now=builders.NOW,
    )


@pytest.mark.django_db(transaction=True)
def test_a_first_dispense_under_way_is_not_left_behind_by_a_new_life(cast: Cast) -> None:
    with transaction.atomic():
        plans.lock_patients([cast.odalys.pk])
        policy = in_thread(shorten_life)
        policy.join(0.5)
        assert policy.is_alive(), "the new life waits for the dispense"
        builders.make_dispense(cast.odalys, on=GIVEN_ON, lines=[{"part_code": "A7032"}])
        plans.refresh_plans([cast.odalys.pk], now=builders.NOW)
    policy.join(20)
    assert PlanLine.objects.get(patient=cast.odalys).worn_on == date(2026, 3, 16)


@pytest.mark.django_db(transaction=True)
def test_a_dispense_waits_for_a_policy_under_way_and_follows_it(cast: Cast) -> None:
    def dispense() -> None:
        with transaction.atomic():
            plans.lock_patients([cast.odalys.pk])
            builders.make_dispense(cast.odalys, on=GIVEN_ON, lines=[{"part_code": "A7032"}])
            plans.refresh_plans([cast.odalys.pk], now=builders.NOW)

    with transaction.atomic():
        shorten_life()
        desk = in_thread(dispense)
        desk.join(0.5)
        assert desk.is_alive(), "the dispense waits for the new life"
    desk.join(20)
    assert PlanLine.objects.get(patient=cast.odalys).worn_on == date(2026, 3, 16)
