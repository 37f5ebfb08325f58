"""What takes a dispense back, and the undo of that: plan, calendar, shelf and back orders follow at once."""

from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from resupply.models import (
    BackOrder,
    Dispense,
    DispenseLine,
    Location,
    Patient,
    Proof,
    StockLevel,
    StockMovement,
)
from resupply.services import feeds, stocking
from resupply.services.corrections import (
    UNDO_MINUTES,
    parcel_lost,
    parcel_undelivered,
    restore,
    void_dispense,
    void_line,
)
from resupply.services.dispensing import NewLine, record_dispense
from resupply.services.errors import Refused
from resupply.services.feeds import Options
from resupply.services.shelves import StockLine
from tests import builders
from tests.builders import NOW, TODAY, make_dispense, make_item, make_patient
from tests.services.test_no_stale_plan import stored

pytestmark = pytest.mark.django_db

BY: dict[str, Any] = {"by": None, "now": NOW}
SOON = NOW + timedelta(minutes=UNDO_MINUTES)
LATE = SOON + timedelta(seconds=1)


@pytest.fixture
def shelf() -> StockLevel:
    """Nine cushions of a lot at a location that tracks stock."""
    place, item = builders.make_location(), make_item()
    line = StockLine(item=item, quantity=9, lot="L1")
    stocking.receive(location=place, lines=[line], received_on=TODAY, **BY)
    return StockLevel.objects.get()


def give(shelf: StockLevel, quantity: int = 3, **over: Any) -> Dispense:
    """A dispense of cushions from that shelf, to a patient of that location."""
    place = Location.objects.get(pk=shelf.location_id)
    patient = over.pop("patient", None) or make_patient(location=place)
    line = NewLine(item=shelf.item, quantity=quantity, lot="L1", exception_reason="test")
    return record_dispense(patient=patient, location=place, dispensed_on=TODAY, lines=[line], **BY | over)


def on_hand() -> int:
    return StockLevel.objects.get().on_hand


def code_of(act: Callable[[], object]) -> str:
    """How it is refused."""
    with pytest.raises(Refused) as refused:
        act()
    return refused.value.code


@pytest.mark.parametrize(("to_shelf", "left"), [(True, 9), (False, 6)])
def test_what_comes_back_lies_on_the_shelf_or_is_discarded(
    shelf: StockLevel, to_shelf: bool, left: int
) -> None:
    dispense = give(shelf)
    assert on_hand() == 6
    void_dispense(dispense, reason="wrong size", to_shelf=to_shelf, **BY)
    assert on_hand() == left
    moved = list(StockMovement.objects.order_by("pk").values_list("movement", "quantity"))
    thrown = [] if to_shelf else [("discarded", -3)]
    assert moved == [("received", 9), ("dispensed", -3), ("returned", 3), *thrown]


def test_a_void_opens_the_back_order_it_filled_and_its_undo_fills_it(shelf: StockLevel) -> None:
    patient = make_patient(location=Location.objects.get())
    waiting = BackOrder.objects.create(
        patient=patient,
        location=patient.location,
        kind="cushion",
        part_code="A7032",
        quantity=3,
        ordered_on=TODAY,
    )
    dispense = give(shelf, patient=patient)
    line = dispense.lines.get()
    for act, filled in (
        (lambda: void_line(line, reason="slip", **BY), None),
        (lambda: restore(line, **BY), line.pk),
    ):
        act()
        waiting.refresh_from_db()
        assert waiting.filled_by_id == filled


@pytest.mark.parametrize("whole", [True, False])
@pytest.mark.parametrize("to_shelf", [True, False])
def test_a_void_and_its_undo_leave_everything_as_it_was(
    shelf: StockLevel, whole: bool, to_shelf: bool
) -> None:
    dispense = give(shelf)
    calendar = feeds.subscribe(dispense.patient, Options(detailed=True), **BY).subscription.pk
    before = (stored(), on_hand(), feeds.render(calendar, now=NOW))
    record: Dispense | DispenseLine = dispense if whole else dispense.lines.get()
    if isinstance(record, Dispense):
        void_dispense(record, reason="slip", to_shelf=to_shelf, **BY)
    else:
        void_line(record, reason="slip", to_shelf=to_shelf, **BY)
    assert stored() != before[0]
    restore(record, by=None, now=SOON)
    assert (stored(), on_hand(), feeds.render(calendar, now=SOON)) == before
    again = Dispense.objects.get()
    assert (again.is_voided, again.void_reason, again.lines.get().is_voided) == (False, "", False)


def test_every_state_of_the_record_stays_in_its_history(shelf: StockLevel) -> None:
    dispense = give(shelf)
    line = dispense.lines.get()
    void_dispense(dispense, reason="slip", **BY)
    restore(dispense, **BY)
    for record in (dispense, line):
        reasons = list(record.changes.order_by("pgh_id").values_list("void_reason", flat=True))  # type: ignore[union-attr]
        assert reasons == ["", "slip", ""]


def test_after_a_quarter_of_an_hour_it_is_logged_again(shelf: StockLevel) -> None:
    dispense = give(shelf)
    void_dispense(dispense, reason="slip", **BY)
    before = (stored(), on_hand())
    with pytest.raises(Refused) as refused:
        restore(dispense, by=None, now=LATE)
    assert refused.value.code == "undo_over"
    assert "log the dispense again" in refused.value.message
    assert (stored(), on_hand()) == before
    assert Dispense.objects.get().is_voided


def test_what_was_logged_again_meanwhile_is_not_counted_twice(shelf: StockLevel) -> None:
    dispense = give(shelf)
    void_dispense(dispense, reason="slip", **BY)
    later = NOW + timedelta(minutes=1)
    give(shelf, patient=dispense.patient, now=later)
    assert code_of(lambda: restore(dispense, by=None, now=later)) == "logged_again"


def test_what_went_to_somebody_else_from_the_shelf_does_not_come_back(shelf: StockLevel) -> None:
    dispense = give(shelf, 9)
    later = NOW + timedelta(minutes=1)
    void_dispense(dispense, reason="slip", to_shelf=True, **BY)
    give(shelf, 1, now=later)
    before = (stored(), on_hand())
    assert code_of(lambda: restore(dispense, by=None, now=later)) == "given_since"
    assert (stored(), on_hand()) == before
    assert on_hand() == 8


def test_what_left_the_shelf_otherwise_does_not_come_back_either(shelf: StockLevel) -> None:
    dispense = give(shelf, 9)
    void_dispense(dispense, reason="slip", to_shelf=True, **BY)
    line = StockLine(item=shelf.item, quantity=9, lot=shelf.lot, expires_on=shelf.expires_on)
    stocking.discard(location=shelf.location, lines=[line], discarded_on=TODAY, reason="wet", **BY)
    with pytest.raises(Refused, match="Count the shelf") as refused:
        restore(dispense, **BY)
    assert (refused.value.code, on_hand()) == ("given_since", 0)


def test_what_was_thrown_away_hinders_no_undo(shelf: StockLevel) -> None:
    """It takes nothing off the shelf, however short that is by now."""
    dispense = give(shelf, 9)
    void_dispense(dispense, reason="slip", **BY)
    give(shelf, 2, allow_short=True)
    restore(dispense, **BY)
    assert on_hand() == -2


def test_the_minutes_are_said_alike_everywhere() -> None:
    said = f"{UNDO_MINUTES} minutes"
    texts = "resupply/web/help/texts"
    for file in (
        "templates/components/_messages.html",
        f"{texts}/c_dispensing.toml",
        f"{texts}/a_everyone.toml",
    ):
        assert said in (Path(__file__).parents[2] / file).read_text(), file


def test_a_shelf_that_was_short_before_does_not_hinder_the_undo(shelf: StockLevel) -> None:
    dispense = give(shelf, 12, allow_short=True)
    void_dispense(dispense, reason="slip", to_shelf=True, **BY)
    restore(dispense, **BY)
    assert on_hand() == -3


def test_only_a_void_is_undone_and_a_line_not_under_a_void_of_the_whole() -> None:
    patient = make_patient()
    dispense = make_dispense(patient, lines=[{}, {"part_code": "A7035"}])
    first = dispense.lines.get(position=0)
    assert code_of(lambda: restore(dispense, **BY)) == "not_void"
    assert code_of(lambda: restore(first, **BY)) == "not_void"
    void_line(first, reason="slip", **BY)
    void_dispense(dispense, reason="all of it", by=None, now=SOON)
    assert code_of(lambda: restore(first, by=None, now=SOON)) == "dispense_void"
    restore(dispense, by=None, now=SOON)
    assert list(dispense.lines.filter(voided_at=None)) == [dispense.lines.get(position=1)]


def shipped(shelf: StockLevel) -> Dispense:
    """What `give` gave, as if it had gone as a parcel."""
    dispense = give(shelf)
    dispense.given = "shipped"
    dispense.save()
    return dispense


def test_a_parcel_that_came_back_is_void_and_its_parts_lie_on_the_shelf(shelf: StockLevel) -> None:
    dispense = shipped(shelf)
    parcel_undelivered(dispense, on=TODAY, **BY)
    dispense.refresh_from_db()
    assert (dispense.parcel, dispense.parcel_on, dispense.is_voided) == ("undelivered", TODAY, True)
    assert dispense.void_reason == "Came back undelivered (Wed 18 Mar 2026)"
    assert dispense.lines.get().is_voided
    assert on_hand() == 9
    restore(dispense, **BY)
    dispense.refresh_from_db()
    assert (dispense.parcel, dispense.parcel_on, on_hand()) == ("", None, 6)


def test_a_lost_parcel_brings_nothing_back(shelf: StockLevel) -> None:
    dispense = shipped(shelf)
    parcel_lost(dispense, on=TODAY, **BY)
    dispense.refresh_from_db()
    assert (dispense.parcel, dispense.is_voided, on_hand()) == ("lost", True, 6)
    assert not any(stored()["PlanLine"])


def test_what_no_parcel_can_do(shelf: StockLevel) -> None:
    dispense = give(shelf)
    for act in (parcel_lost, parcel_undelivered):
        assert code_of(lambda act=act: act(dispense, on=TODAY, **BY)) == "not_shipped"  # type: ignore[misc]
    dispense.given = "shipped"
    dispense.save()
    tomorrow, yesterday = TODAY + timedelta(days=1), TODAY - timedelta(days=1)
    assert code_of(lambda: parcel_lost(dispense, on=tomorrow, **BY)) == "future"
    assert code_of(lambda: parcel_lost(dispense, on=yesterday, **BY)) == "before_shipped"
    Proof.objects.create(
        dispense=dispense, method="carrier", delivered_on=TODAY, carrier_record="left at the door"
    )
    assert code_of(lambda: parcel_lost(dispense, on=TODAY, **BY)) == "proved"
    assert not Dispense.objects.get().is_voided


@given(
    lines=st.lists(
        st.tuples(
            st.sampled_from(["A7032", "A7034", "A7035", "A7038"]), st.integers(1, 4), st.integers(0, 120)
        ),
        min_size=1,
        max_size=4,
    ),
    whole=st.booleans(),
    to_shelf=st.booleans(),
    which=st.integers(0, 9),
)
@settings(
    max_examples=15,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
def test_law_void_then_restore_changes_nothing(
    lines: list[tuple[str, int, int]], whole: bool, to_shelf: bool, which: int
) -> None:
    """Plans, levels and what the calendar shows, whatever was given before and after."""
    with transaction.atomic():
        place = builders.make_location()
        patient = make_patient(location=place)
        items = {
            code: make_item(part_code=code, kind=builders.part_types()[code].kind) for code, _, _ in lines
        }
        goods = [StockLine(item=item, quantity=99) for item in items.values()]
        stocking.receive(location=place, lines=goods, received_on=TODAY, **BY)
        for code, quantity, back in lines:
            new = NewLine(item=items[code], quantity=quantity, exception_reason="law", notice="not_owed")
            record_dispense(
                patient=patient,
                location=place,
                dispensed_on=TODAY - timedelta(days=back),
                lines=[new],
                **BY,
            )
        calendar = feeds.subscribe(patient, Options(), **BY).subscription.pk
        before = (stored(), _levels(), feeds.render(calendar, now=NOW))
        dispense = list(Dispense.objects.order_by("pk"))[which % len(lines)]
        later = NOW + timedelta(seconds=1)
        if whole:
            void_dispense(dispense, reason="law", to_shelf=to_shelf, by=None, now=later)
            restore(dispense, by=None, now=later)
        else:
            line = dispense.lines.get()
            void_line(line, reason="law", to_shelf=to_shelf, by=None, now=later)
            restore(line, by=None, now=later)
        assert (stored(), _levels(), feeds.render(calendar, now=later)) == before
        transaction.set_rollback(True)


def _levels() -> list[tuple[Any, ...]]:
    return list(StockLevel.objects.order_by("pk").values_list("item", "lot", "expires_on", "on_hand"))


def test_a_day_of_birth_bounds_a_parcel_too() -> None:
    patient = make_patient(birth_date=date(2026, 1, 1))
    dispense = make_dispense(patient, on=date(2026, 1, 2), given="shipped")
    assert code_of(lambda: parcel_lost(dispense, on=date(2025, 12, 31), **BY)) == "before_birth"
    assert Patient.objects.count() == 1
