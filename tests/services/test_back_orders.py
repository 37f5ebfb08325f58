"""Back orders: promised, filled by the next dispense of the part, open again where that is taken back."""

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import pytest

from resupply.models import BackOrder, Dispense, Patient, PatientStatus
from resupply.queries.stock import open_back_orders
from resupply.services import back_orders, corrections
from resupply.services.dispensing import NewLine, record_dispense
from resupply.services.errors import Refused
from tests.builders import NOW, TODAY, make_item, make_location, make_patient

pytestmark = pytest.mark.django_db

BY: dict[str, Any] = {"by": None, "now": NOW}


@pytest.fixture
def patient() -> Patient:
    return make_patient()


def order(patient: Patient, **over: Any) -> BackOrder:
    values: dict[str, Any] = {
        "location": patient.location, "item": None, "kind": "cushion", "part_code": "A7032", "quantity": 2,
    }  # fmt: skip
    return back_orders.back_order(patient=patient, **values | BY | over)


def give(patient: Patient, code: str = "A7032") -> Dispense:
    lines = [NewLine(part_code=code, quantity=1)]
    return record_dispense(patient=patient, location=patient.location, dispensed_on=TODAY, lines=lines, **BY)


def refused(act: Callable[[], object]) -> str:
    with pytest.raises(Refused) as caught:
        act()
    return caught.value.code


def test_an_item_gives_kind_and_code(patient: Patient) -> None:
    item = make_item(kind="headgear", part_code="A7035")
    made = order(patient, item=item)
    assert (made.kind, made.part_code, made.ordered_on) == ("headgear", "A7035", TODAY)


def test_a_dispense_of_the_part_fills_it_and_its_void_opens_it_again(patient: Patient) -> None:
    waiting, other = order(patient), order(patient, kind="tubing", part_code="A7037")
    somebody_elses = order(make_patient())
    dispense = give(patient)
    waiting.refresh_from_db()
    assert waiting.filled_by == dispense.lines.get()
    assert {row.pk for row in open_back_orders([])} == {other.pk, somebody_elses.pk}
    corrections.void_dispense(dispense, reason="another person", **BY)
    assert {row.pk for row in open_back_orders([])} == {waiting.pk, other.pk, somebody_elses.pk}


def test_the_oldest_is_filled_first_and_one_by_a_line(patient: Patient) -> None:
    """Two open ones of a kind come about where a filled one opens again."""
    first = order(patient)
    dispense = give(patient)
    second = order(patient)
    corrections.void_dispense(dispense, reason="another person", **BY)
    assert [row.pk for row in open_back_orders([])] == [first.pk, second.pk]
    give(patient)
    assert [row.pk for row in open_back_orders([])] == [second.pk]


def test_the_nearest_day_stands_first_and_unknown_days_last(patient: Patient) -> None:
    unknown = order(patient)
    later = order(patient, kind="tubing", part_code="A7037", expected_on=TODAY + timedelta(days=9))
    soon = order(patient, kind="headgear", part_code="A7035", expected_on=TODAY)
    assert [row.pk for row in open_back_orders([])] == [soon.pk, later.pk, unknown.pk]
    assert [row.pk for row in open_back_orders([], expected_by=TODAY)] == [soon.pk]
    assert open_back_orders([make_location().pk]) == []
    back_orders.expect_on(soon, expected_on=TODAY + timedelta(days=20), now=NOW)
    assert [row.pk for row in open_back_orders([], patient_id=patient.pk)] == [later.pk, soon.pk, unknown.pk]


@pytest.mark.parametrize(
    ("over", "code"),
    [
        ({"kind": "hat"}, "unknown_kind"),
        ({"part_code": "A7035"}, "unknown_code"),
        ({"part_code": "X1"}, "unknown_code"),
        ({"quantity": 0}, "quantity"),
        ({"quantity": 501}, "quantity"),
        ({"note": "x" * 301}, "note_long"),
        ({"expected_on": TODAY - timedelta(days=1)}, "expected_past"),
        ({"expected_on": date(3026, 3, 18)}, "too_far"),
    ],
)
def test_what_cannot_be_back_ordered(patient: Patient, over: dict[str, Any], code: str) -> None:
    assert refused(lambda: order(patient, **over)) == code
    assert not BackOrder.objects.exists()


def test_one_open_order_of_a_part(patient: Patient) -> None:
    first = order(patient)
    assert refused(lambda: order(patient)) == "open_already"
    back_orders.void_back_order(first, reason="not wanted", **BY)
    order(patient)


def test_nobody_who_left_waits_for_parts(patient: Patient) -> None:
    patient.status = PatientStatus.ENDED
    patient.save()
    assert refused(lambda: order(patient)) == "not_on_therapy"


def test_what_is_filled_or_voided_stays_as_it_is(patient: Patient) -> None:
    filled = order(patient)
    give(patient)
    assert refused(lambda: back_orders.void_back_order(filled, reason="late", **BY)) == "not_open"
    assert refused(lambda: back_orders.expect_on(filled, expected_on=TODAY, now=NOW)) == "not_open"
    voided = order(patient)
    assert refused(lambda: back_orders.void_back_order(voided, reason=" ", **BY)) == "reason_missing"
    back_orders.void_back_order(voided, reason="not wanted", **BY)
    assert refused(lambda: back_orders.void_back_order(voided, reason="again", **BY)) == "not_open"
