"""What stops a dispense and what a reason lifts, as the service writes it; parcels, notices, the record."""

from collections.abc import Callable
from datetime import UTC, date, datetime
from typing import Any

import pytest

from resupply.models import BackOrder, CatalogueItem, Dispense, DispenseLine, MagnetScreen, Order, Recall
from resupply.services import plans
from resupply.services.dispensing import NewLine, Stopped, record_dispense
from resupply.services.errors import Refused
from tests.builders import (
    NOW,
    TODAY,
    make_answer,
    make_dispense,
    make_event,
    make_item,
    make_screen,
)
from tests.cast import Cast

Give = Callable[..., Dispense]
REASON: dict[str, Any] = {"exception_reason": "asked by the prescriber", "notice": "not_owed"}
PARCEL: dict[str, Any] = {"given": "shipped", "tracking_id": "1Z-1", "delivery_address": "12 Cedar Way"}


@pytest.fixture
def give(cast: Cast) -> Give:
    """Dispense to Odalys today, in the North room, by the desk."""

    def give(*lines: NewLine, **over: Any) -> Dispense:
        values: dict[str, Any] = {
            "patient": cast.odalys,
            "location": cast.north,
            "dispensed_on": TODAY,
            "by": cast.desk.user,
            "now": NOW,
        }
        return record_dispense(lines=lines, **values | over)

    return give


@pytest.fixture
def cushion(db: None) -> CatalogueItem:
    return make_item(family="Aspen")


def refused(act: Callable[[], object]) -> Refused:
    before = DispenseLine.objects.count()
    with pytest.raises(Refused) as told:
        act()
    assert DispenseLine.objects.count() == before
    return told.value


# --- what no reason lifts ---


def test_magnets_are_stopped_until_the_patient_has_been_asked(cast: Cast, give: Give) -> None:
    mask = make_item(kind="mask", part_code="A7034", magnetic="yes")
    give(NewLine(item=mask, quantity=1), dispensed_on=date(2025, 1, 2))
    MagnetScreen.objects.update(voided_at=NOW, void_reason="asked the wrong person")
    told = refused(lambda: give(NewLine(item=mask, quantity=1, **REASON)))
    assert (told.code, told.field, told.row) == ("magnets", "part", 0)
    assert "has not been asked about implants" in told.message
    screen = make_screen(cast.odalys, wearer="unknown")
    told = refused(lambda: give(NewLine(item=mask, quantity=1, **REASON)))
    assert "leave something open" in told.message
    MagnetScreen.objects.filter(pk=screen.pk).update(asked_on=date(2024, 1, 2), wearer="no")
    assert "too old" in refused(lambda: give(NewLine(item=mask, quantity=1, **REASON))).message
    make_screen(cast.odalys, wearer="yes")
    told = refused(lambda: give(NewLine(item=mask, quantity=1, **REASON)))
    assert told.code == "magnets"
    assert "must not go to this patient" in told.message
    assert "implant" not in told.message, "the desk does not see the health detail"
    make_screen(cast.odalys, cleared_reason="removed, letter of the surgeon")
    assert give(NewLine(item=mask, quantity=1)).lines.count() == 1


def test_what_a_recall_names_stays(give: Give, cushion: CatalogueItem) -> None:
    recall = Recall.objects.create(
        title="Seam opens", issued_on=TODAY, source="maker's letter", item=cushion, lot="Ab1"
    )
    line = NewLine(item=cushion, quantity=1, lot=" aB1 ", **REASON)
    told = refused(lambda: give(line))
    assert (told.code, told.field) == ("recalled", "lot")
    assert "Seam opens" in told.message
    assert give(NewLine(item=cushion, quantity=1, lot="AB2")).lines.count() == 1
    Recall.objects.filter(pk=recall.pk).update(voided_at=NOW, void_reason="withdrawn")
    assert give(line).lines.get().lot == "aB1"


def test_some_lots_recalled_ask_for_the_lot(give: Give, cushion: CatalogueItem) -> None:
    """Without its lot nobody knows whether a part is one of them; of a lot of any part nothing follows."""
    Recall.objects.create(title="Any part", issued_on=TODAY, source="maker's letter", lot="Z9")
    assert give(NewLine(item=cushion, quantity=1)).lines.count() == 1
    Recall.objects.create(
        title="Seam opens", issued_on=TODAY, source="maker's letter", item=cushion, lot="A1"
    )
    told = refused(lambda: give(NewLine(item=cushion, quantity=1, lot=" ", **REASON)))
    assert (told.code, told.field) == ("recalled", "lot")
    assert "Some lots of this part are recalled: Seam opens. Type the lot from its pack." in told.message
    assert give(NewLine(item=cushion, quantity=1, lot="A2", **REASON)).lines.count() == 1
    assert give(NewLine(part_code="A7032", quantity=1, **REASON)).lines.count() == 1


def test_every_row_that_may_not_go_out_is_told_at_once(give: Give, cushion: CatalogueItem) -> None:
    old = NewLine(item=cushion, quantity=1, expires_on=date(2026, 3, 1), **REASON)
    with pytest.raises(Stopped) as told:
        give(old, NewLine(part_code="A7035", quantity=1), NewLine(part_code="A7032", quantity=6))
    assert [(one.code, one.row) for one in told.value.rows] == [("expired", 0), ("too_many", 2)]
    assert (told.value.code, told.value.row) == ("expired", 0)


# --- the patient's own yes ---


def test_nothing_ships_without_the_patients_own_yes(cast: Cast, give: Give) -> None:
    line = NewLine(part_code="A7032", quantity=2, **REASON)
    assert refused(lambda: give(line, **PARCEL)).code == "no_yes"
    make_answer(cast.odalys, items=[{"wanted": False, "need": ""}])
    assert refused(lambda: give(line, **PARCEL)).code == "no_yes"
    answer = make_answer(cast.odalys, items=[{"quantity": 2}])
    assert refused(lambda: give(NewLine(part_code="A7032", quantity=3, **REASON), **PARCEL)).code == "no_yes"
    shipped = give(line, **PARCEL).lines.get()
    assert shipped.answer_item == answer.items.get()
    assert shipped.exception_stops == [], "within the limits: the typed reason is not kept"
    assert shipped.exception_reason == ""


def test_a_yes_is_used_up_by_what_it_was_said_to(cast: Cast, give: Give) -> None:
    make_answer(cast.odalys)
    give(NewLine(part_code="A7032", quantity=1), **PARCEL)
    told = refused(lambda: give(NewLine(part_code="A7032", quantity=1, **REASON), **PARCEL, now=later()))
    assert told.code == "no_yes"


def test_a_yes_put_on_record_after_the_ship_date_does_not_count(cast: Cast, give: Give) -> None:
    make_answer(cast.odalys, recorded_at=datetime(2026, 3, 17, 18, tzinfo=UTC))
    line = NewLine(part_code="A7032", quantity=1, **REASON)
    told = refused(lambda: give(line, dispensed_on=date(2026, 3, 16), **PARCEL))
    assert told.code == "recorded_late"
    assert give(line, dispensed_on=date(2026, 3, 17), **PARCEL).lines.count() == 1


def test_asked_too_early_takes_a_reason(cast: Cast, give: Give) -> None:
    """Two cushions of 1 February end on 1 April; asked on 28 February, 32 days before, for a payer that
    follows the published rule (30 days, CMS-1780-F).
    """
    cast.payer.refill_source = "shipped"
    cast.payer.save()
    make_dispense(cast.odalys, on=date(2026, 2, 1), lines=[{"quantity": 2}])
    plans.refresh_plans([cast.odalys.pk], now=NOW)
    make_answer(cast.odalys, contacted_on=date(2026, 2, 28))
    act = {"dispensed_on": date(2026, 3, 18), "now": datetime(2026, 3, 25, 15, tzinfo=UTC)}
    line = NewLine(part_code="A7032", quantity=1)
    # Too early to dispense as well: ten days before 1 April is 22 March.
    told = refused(lambda: give(line, **PARCEL | act))
    assert told.code == "too_early"
    act["dispensed_on"] = date(2026, 3, 22)
    told = refused(lambda: give(line, **PARCEL | act))
    assert told.code == "asked_too_early"
    assert "before Mon 2 Mar 2026" in told.message
    kept = give(NewLine(part_code="A7032", quantity=1, **REASON), **PARCEL | act).lines.get()
    assert kept.exception_stops == ["asked_too_early"]


def test_a_part_handed_over_is_tied_to_the_yes_and_needs_none(cast: Cast, give: Give) -> None:
    assert give(NewLine(part_code="A7035", quantity=1)).lines.get().answer_item is None
    answer = make_answer(cast.odalys)
    assert give(NewLine(part_code="A7032", quantity=1)).lines.get().answer_item == answer.items.get()


# --- a parcel ---


def test_a_parcel_has_an_address_and_a_tracking_id(cast: Cast, give: Give) -> None:
    make_answer(cast.odalys)
    line = NewLine(part_code="A7032", quantity=1)
    told = refused(lambda: give(line, given="shipped", tracking_id="1Z-1"))
    assert (told.code, told.field) == ("no_address", "delivery_address")
    cast.odalys.address = "7 Fir Lane"
    cast.odalys.save()
    told = refused(lambda: give(line, given="shipped"))
    assert (told.code, told.field) == ("no_tracking", "tracking_id")
    parcel = give(line, given="shipped", carrier=" Parcel post ", tracking_id="1Z-1")
    assert (parcel.carrier, parcel.tracking_id, parcel.delivery_address) == (
        "Parcel post",
        "1Z-1",
        "7 Fir Lane",
    )


def test_in_person_no_parcel_is_kept(give: Give) -> None:
    handed = give(NewLine(part_code="A7032", quantity=1), tracking_id="1Z-1", delivery_address="12 Cedar Way")
    assert (handed.tracking_id, handed.delivery_address) == ("", "")


# --- another mask family ---


def test_another_family_than_the_one_worn(cast: Cast, give: Give, cushion: CatalogueItem) -> None:
    make_event(cast.odalys, "refit", family="Birch", on=date(2026, 3, 1))
    told = refused(lambda: give(NewLine(item=cushion, quantity=1)))
    assert told.code == "wrong_family"
    assert "belongs to Aspen; the patient wears Birch" in told.message
    kept = give(NewLine(item=cushion, quantity=1, **REASON)).lines.get()
    assert kept.exception_stops == ["wrong_family"]
    mask = make_item(kind="mask", part_code="A7034", family="Aspen")
    told = refused(lambda: give(NewLine(item=mask, quantity=1)))
    assert "log the refit first" in told.message


# --- notices ---

NOTICES = [
    ({}, "notice_missing", "not said"),
    ({"notice": "maybe"}, "notice_missing", "no such answer"),
    ({"notice": "given"}, "notice_day", "given, but when?"),
    ({"notice": "given", "notice_on": date(2026, 3, 19)}, "notice_late", "given after the part"),
    ({"notice": "given", "notice_on": date(2026, 3, 18)}, "", "given before it, that day"),
    ({"notice": "declined", "notice_on": date(2026, 3, 1)}, "", "offered, not signed; the day is dropped"),
    ({"notice": "not_owed"}, "", "not owed"),
]


@pytest.mark.parametrize(("over", "code", "what"), NOTICES, ids=[row[2] for row in NOTICES])
def test_a_billed_exception_says_whether_notice_was_given(
    give: Give, over: dict[str, Any], code: str, what: str
) -> None:
    line = NewLine(part_code="A7032", quantity=7, exception_reason="travels", **over)
    if code:
        told = refused(lambda: give(line))
        assert (told.code, told.row) == (code, 0), what
        return
    kept = give(line).lines.get()
    assert (kept.notice, kept.exception_stops) == (over["notice"], ["too_many"])
    assert kept.notice_on == (over.get("notice_on") if over["notice"] == "given" else None)


def test_what_is_not_billed_needs_no_notice(give: Give) -> None:
    kept = give(NewLine(part_code="A7032", quantity=7, exception_reason="travels", billed=False)).lines.get()
    assert (kept.notice, kept.exception_reason) == ("", "travels")


# --- what goes on record ---


def test_order_serial_and_size_go_on_record(cast: Cast, give: Give) -> None:
    order = {"patient": cast.odalys, "prescriber_name": "Dr. Ek", "prescriber_npi": "1234567893"}
    Order.objects.create(**order, ordered_on=date(2025, 1, 1), ends_on=date(2026, 1, 1))
    in_force = Order.objects.create(**order, ordered_on=date(2025, 6, 1))
    Order.objects.create(**order, ordered_on=date(2026, 3, 19))
    pack = make_item(kind="mask", part_code="A7034", pack_sizes=["S", "M"])
    told = refused(lambda: give(NewLine(item=pack, quantity=1, size_kept="XL")))
    assert (told.code, told.field) == ("size_kept", "size_kept")
    dispense = give(NewLine(item=pack, quantity=1, size_kept="M", serial=" 77 "))
    line = dispense.lines.get()
    assert dispense.order == in_force
    assert (line.serial, line.size_kept) == ("77", "M")


def test_what_another_supplier_gave_is_history_and_checked_by_nothing(give: Give) -> None:
    MagnetScreen.objects.update(voided_at=NOW, void_reason="asked the wrong person")
    old = NewLine(part_code="A7034", quantity=3, expires_on=date(2026, 3, 1))
    line = give(old, supplied_by="elsewhere", given="shipped").lines.get()
    assert (line.quantity, line.exception_stops) == (3, [])


def test_a_dispense_fills_the_back_order_of_its_kind(cast: Cast, give: Give, cushion: CatalogueItem) -> None:
    order = BackOrder.objects.create(
        patient=cast.odalys, location=cast.north, item=cushion, kind="cushion", part_code="A7032",
        quantity=1, ordered_on=TODAY,
    )  # fmt: skip
    line = give(NewLine(item=cushion, quantity=1)).lines.get()
    order.refresh_from_db()
    assert order.filled_by == line


def later() -> datetime:
    """An hour on."""
    return NOW.replace(hour=NOW.hour + 1)
