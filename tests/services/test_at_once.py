"""Two writers at once, on two real connections: nobody takes what is taken, and no plan is left behind."""

import threading
from collections.abc import Callable
from datetime import date, datetime
from types import SimpleNamespace
from typing import Any
from uuid import uuid4

import pytest
from django.db import connections

from resupply.models import Dispense, Patient, PlanLine, StockLevel
from resupply.rules.periods import Period, Unit
from resupply.services import corrections, plans, policies
from resupply.services.dispensing import NewLine, record, record_dispense
from resupply.services.errors import Refused
from tests.builders import NOW, TODAY, make_answer, make_item, make_location, make_patient, make_payer

pytestmark = pytest.mark.django_db(transaction=True)


def at_once(*acts: Callable[[], object]) -> list[object]:
    """Run acts in threads of their own, started together; what each returned, or the refusal it met."""
    start = threading.Barrier(len(acts))
    results: list[object] = [None] * len(acts)
    failed: list[Exception] = []

    def run(position: int, act: Callable[[], object]) -> None:
        try:
            start.wait(10)
            results[position] = act()
        except Refused as refusal:
            results[position] = refusal.code
        except Exception as error:
            failed.append(error)
        finally:
            connections.close_all()

    threads = [threading.Thread(target=run, args=(i, act)) for i, act in enumerate(acts)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
        assert not thread.is_alive()
    assert failed == []
    return results


def give_one(patient: Patient, **over: Any) -> Dispense:
    values: dict[str, Any] = {"dispensed_on": TODAY, "by": None, "now": NOW}
    values["lines"] = [NewLine(part_code="A7032", quantity=1)]
    return record_dispense(patient=patient, location=patient.location, **values | over)


def test_two_clerks_cannot_both_take_the_last_allowed_units() -> None:
    location = make_location()
    patient = make_patient(payer=make_payer(allowances=[{}]), location=location)

    def give() -> int:
        lines = [NewLine(part_code="A7032", quantity=4)]
        dispense = record_dispense(
            patient=patient, location=location, dispensed_on=TODAY, lines=lines, by=None, now=NOW
        )
        return dispense.lines.get().quantity

    assert sorted(map(str, at_once(give, give))) == ["4", "too_early"]
    assert Dispense.objects.count() == 1


def test_one_form_sent_by_two_presses_is_recorded_once() -> None:
    patient, key = make_patient(), uuid4()

    def press() -> int:
        return give_one(patient, form_key=key).pk

    first, second = at_once(press, press)
    assert first == second == Dispense.objects.get().pk


def test_one_dispense_is_voided_once() -> None:
    dispense = give_one(make_patient())

    def void() -> str:
        mine = Dispense.objects.get(pk=dispense.pk)
        corrections.void_dispense(mine, reason="slip", by=None, now=NOW)
        return "voided"

    assert sorted(map(str, at_once(void, void))) == ["already_void", "voided"]


def test_a_dispense_during_a_policy_change_is_planned_by_the_new_life() -> None:
    """The first dispense of a code, under way while its life changes, is not known to the change as a
    holder.
    """
    patient = make_patient()
    holds, changed = threading.Event(), threading.Event()

    def give() -> None:
        def slow(ids: list[int], *, now: datetime) -> int:
            written = plans.refresh_plans(ids, now=now)  # by the old life: the change has not begun
            holds.set()
            changed.wait(1)  # the change would be done by now if nothing made it wait
            return written

        with pytest.MonkeyPatch.context() as patch:
            mine = SimpleNamespace(lock_patients=plans.lock_patients, refresh_plans=slow)
            patch.setattr(record, "plans", mine)
            give_one(patient, dispensed_on=date(2026, 3, 1))

    def change() -> None:
        holds.wait(10)
        policies.set_life(
            "A7032", Period(2, Unit.MONTH), effective_from=date(2020, 1, 1), reason="", by=None, now=NOW
        )
        changed.set()

    at_once(give, change)
    assert PlanLine.objects.get(patient=patient).supply_ends_on == date(2026, 5, 1)


def test_two_clerks_cannot_both_take_the_last_in_stock() -> None:
    """Two patients, so that no lock of a patient keeps them apart: the shelf does."""
    location = make_location(tracks_stock=True)
    item = make_item()
    StockLevel.objects.create(location=location, item=item, lot="A", on_hand=2)
    patients = [make_patient(location=location) for _ in range(2)]

    def give(patient: Patient) -> Callable[[], int]:
        lines = [NewLine(item=item, quantity=2, lot="A")]
        return lambda: give_one(patient, lines=lines).lines.get().quantity

    assert sorted(map(str, at_once(*map(give, patients)))) == ["2", "not_in_stock"]
    assert StockLevel.objects.get().on_hand == 0
    assert Dispense.objects.count() == 1


def test_two_clerks_cannot_both_ship_on_one_yes() -> None:
    patient = make_patient(address="12 Cedar Way")
    make_answer(patient)

    def ship() -> str:
        return give_one(patient, given="shipped", tracking_id="1Z-1").given

    assert sorted(map(str, at_once(ship, ship))) == ["no_yes", "shipped"]
