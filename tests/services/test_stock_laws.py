"""The laws of the stock ledger, whatever is done to the shelves and in whatever order.

What is on a shelf is the sum of the movements that stand: the double-entry idea of bookkeeping, that a
balance is nothing but its entries, and goods only change places. Common practice; no single source.
"""

import os

import pytest
from django.core.management import call_command
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from resupply.models import Movement, StockLevel, StockMovement
from resupply.services.errors import Refused
from tests.services.stocked import Act, Store, any_act, ledger, shelf, stocking_acts

pytestmark = pytest.mark.django_db

EXAMPLES = 1_000 if os.environ.get("HYPOTHESIS_PROFILE") == "deep" else 30
relaxed = settings(
    max_examples=EXAMPLES,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)


@given(acts=st.lists(any_act(), min_size=1, max_size=12))
@relaxed
def test_a_level_is_the_sum_of_its_standing_movements(acts: list[Act]) -> None:
    with transaction.atomic():
        store = Store.make()
        for act in acts:
            before = shelf()
            try:
                with transaction.atomic():
                    act(store)
            except Refused:
                assert shelf() == before, "a refusal changes nothing"
            assert shelf() == ledger()
        stored = list(StockLevel.objects.order_by("pk").values())
        call_command("rebuild_stock", verbosity=0)
        assert list(StockLevel.objects.order_by("pk").values()) == stored
        transaction.set_rollback(True)


@given(acts=st.lists(any_act(), min_size=1, max_size=12))
@relaxed
def test_both_halves_of_a_move_stand_or_fall_together(acts: list[Act]) -> None:
    with transaction.atomic():
        store = Store.make()
        for act in acts:
            try:
                with transaction.atomic():
                    act(store)
            except Refused:
                continue
        moved = StockMovement.objects.filter(movement=Movement.MOVED, voided_at=None)
        for pair in set(moved.values_list("pair", flat=True)):
            out, into = moved.filter(pair=pair).order_by("quantity")
            assert (out.quantity, out.item_id, out.lot) == (-into.quantity, into.item_id, into.lot)
            assert out.location_id != into.location_id
        transaction.set_rollback(True)


@given(acts=st.lists(stocking_acts(), min_size=1, max_size=12))
@relaxed
def test_what_staff_do_to_the_shelves_never_goes_below_zero(acts: list[Act]) -> None:
    with transaction.atomic():
        store = Store.make()
        for act in acts:
            try:
                with transaction.atomic():
                    act(store)
            except Refused:
                continue
        assert all(on_hand >= 0 for on_hand in shelf().values())
        transaction.set_rollback(True)


def test_a_rebuild_mends_levels_that_went_wrong() -> None:
    """Wrong, missing and stray rows: the ledger is right."""
    store = Store.make()
    store.give(0, [{"item": item, "quantity": 2} for item in store.items], allow_short=True)
    right = shelf()
    wrong, missing, _ = StockLevel.objects.order_by("pk")
    StockLevel.objects.filter(pk=wrong.pk).update(on_hand=99)
    missing.delete()
    StockLevel.objects.create(location=store.places[1], item=store.items[0], on_hand=5)
    assert shelf() != right
    call_command("rebuild_stock", verbosity=0)
    assert shelf() == right == ledger()
