"""An exchange: part back, part out, one act; and that it is the void and the dispense it is made of."""

from datetime import date, timedelta
from typing import Any
from uuid import uuid4

import pytest
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from resupply.models import CatalogueItem, Dispense, DispenseLine, Location, PlanLine, StockLevel
from resupply.queries import answers as answer_queries
from resupply.services import answers, exchanges, stocking
from resupply.services.corrections import restore, void_line
from resupply.services.dispensing import NewLine, record_dispense
from resupply.services.errors import Refused
from resupply.services.exchanges import Replacement
from resupply.services.shelves import StockLine
from tests import builders
from tests.builders import NOW, TODAY, make_item, make_patient, make_payer
from tests.services.test_no_stale_plan import stored

pytestmark = pytest.mark.django_db

BY: dict[str, Any] = {"by": None, "now": NOW}
WHY = "too small"


class Shop:
    """A location with cushions in two sizes on the shelf, and a patient with an allowance of 2 a month."""

    def __init__(self) -> None:
        self.place = builders.make_location()
        self.medium, self.large = make_item(size="M", family="Aspen"), make_item(size="L", family="Aspen")
        goods = [StockLine(item=item, quantity=20, lot=item.size) for item in (self.medium, self.large)]
        stocking.receive(location=self.place, lines=goods, received_on=TODAY, **BY)
        self.place = Location.objects.get(pk=self.place.pk)
        self.patient = make_patient(
            location=self.place, payer=make_payer(refill_source="shipped", allowances=[{}])
        )

    def give(self, quantity: int = 6, *, on: date = TODAY, **line: Any) -> DispenseLine:
        new = NewLine(item=self.medium, quantity=quantity, lot="M", **line)
        return record_dispense(
            patient=self.patient, location=self.place, dispensed_on=on, lines=[new], **BY
        ).lines.get()

    def exchange(self, line: DispenseLine, item: CatalogueItem | None = None, **over: Any) -> DispenseLine:
        new = Replacement(
            item=item or self.large, lot="L", **{k: over.pop(k) for k in [*over] if k in _FIELDS}
        )
        values: dict[str, Any] = {"on": TODAY, "reason": WHY, "back_to_shelf": True}
        return exchanges.exchange(line, new, **values | BY | over).lines.get()


_FIELDS = set(Replacement.__slots__)


@pytest.fixture
def shop() -> Shop:
    return Shop()


def on_hand(item: CatalogueItem) -> int:
    return sum(StockLevel.objects.filter(item=item).values_list("on_hand", flat=True))


def test_part_back_part_out_in_one_act(shop: Shop) -> None:
    first = shop.give()
    new = shop.exchange(first)
    first.refresh_from_db()
    assert (first.void_reason, first.dispense.is_voided) == ("exchanged: too small", True)
    assert (new.exchange_of, new.item, new.quantity, new.lot) == (first, shop.large, 6, "L")
    assert new.billed_to == first.billed_to
    assert (on_hand(shop.medium), on_hand(shop.large)) == (20, 14)
    assert PlanLine.objects.get(patient=shop.patient, kind="cushion").spares == 5


def test_opened_parts_go_to_nobody_else(shop: Shop) -> None:
    shop.exchange(shop.give(), back_to_shelf=False)
    assert (on_hand(shop.medium), on_hand(shop.large)) == (14, 14)


def test_limits_are_as_if_the_first_had_not_been_given(shop: Shop) -> None:
    """Six are all that is allowed, and six go out again ten days later; a seventh meanwhile does not."""
    first = shop.give(on=TODAY - timedelta(days=10))
    with pytest.raises(Refused):
        shop.give(1)
    new = shop.exchange(first)
    assert (new.exception_reason, new.exception_stops) == ("", [])


def test_outside_the_limits_a_reason_is_typed_and_the_first_stands_till_then(shop: Shop) -> None:
    pillows = make_item(part_code="A7033", kind="cushion", size="L")
    builders.make_allowance(shop.patient.coverages.get().payer, part_code="A7033", units=1, at_once_periods=1)  # type: ignore[arg-type]
    first = shop.give()
    before = (stored(), on_hand(shop.medium))
    with pytest.raises(Refused) as refused:
        shop.exchange(first, pillows)
    assert refused.value.code == "too_many"
    first.refresh_from_db()
    assert not first.is_voided
    assert (stored(), on_hand(shop.medium)) == before
    new = shop.exchange(
        first, pillows, exception_reason="refit", notice="given", notice_on=TODAY, allow_short=True
    )
    assert (new.exception_reason, new.exception_stops, new.notice) == ("refit", ["too_many"], "given")


def test_an_exception_of_the_first_carries_over_with_its_notice(shop: Shop) -> None:
    first = shop.give(7, exception_reason="travels", notice="given", notice_on=TODAY)
    new = shop.exchange(first)
    assert (new.exception_reason, new.exception_stops) == ("travels", ["too_many"])
    assert (new.notice, new.notice_on) == ("given", TODAY)


def test_an_exception_that_would_be_none_by_now_stays_marked(shop: Shop) -> None:
    shop.give(6, on=TODAY - timedelta(days=70))
    early = shop.give(2, on=TODAY - timedelta(days=12), exception_reason="travels", notice="not_owed")
    assert early.exception_stops
    new = shop.exchange(early, on=TODAY)
    assert (new.exception_reason, new.notice) == ("travels", "not_owed")
    assert set(early.exception_stops) <= set(new.exception_stops)


@pytest.mark.parametrize(
    ("over", "code", "field"),
    [
        ({"reason": " "}, "reason_missing", "reason"),
        ({"on": TODAY - timedelta(days=1)}, "before_dispense", "on"),
        ({"on": TODAY + timedelta(days=1)}, "future", "on"),
        ({"expires_on": TODAY - timedelta(days=1)}, "expired", "expires_on"),
    ],
)
def test_what_is_refused_writes_nothing(shop: Shop, over: dict[str, Any], code: str, field: str) -> None:
    first = shop.give()
    before = (stored(), on_hand(shop.medium), on_hand(shop.large))
    with pytest.raises(Refused) as refused:
        shop.exchange(first, **over)
    assert (refused.value.code, refused.value.field) == (code, field)
    assert (stored(), on_hand(shop.medium), on_hand(shop.large)) == before
    assert Dispense.objects.count() == 1


def test_what_is_no_exchange(shop: Shop) -> None:
    first = shop.give()
    with pytest.raises(Refused) as other:
        shop.exchange(first, make_item(part_code="A7035", kind="headgear"))
    assert other.value.code == "other_kind"
    void_line(first, reason="slip", **BY)
    with pytest.raises(Refused) as void:
        shop.exchange(first)
    assert void.value.code == "already_void"
    theirs = builders.make_dispense(shop.patient, supplied_by="elsewhere").lines.get()
    with pytest.raises(Refused) as elsewhere:
        shop.exchange(theirs)
    assert elsewhere.value.code == "given_elsewhere"


def test_a_reason_is_kept_whole_or_refused(shop: Shop) -> None:
    first = shop.give()
    with pytest.raises(Refused) as refused:
        shop.exchange(first, reason="x" * 290)
    assert (refused.value.code, "289" in refused.value.message) == ("reason_long", True)
    shop.exchange(first, reason="x" * 289)
    first.refresh_from_db()
    assert first.void_reason == f"exchanged: {'x' * 289}"


def test_a_form_sent_twice_exchanges_once(shop: Shop) -> None:
    first, key = shop.give(), uuid4()
    assert shop.exchange(first, form_key=key) == shop.exchange(first, form_key=key)
    assert on_hand(shop.large) == 14
    other = builders.make_dispense(shop.patient, lines=[{"item": shop.medium}]).lines.get()
    with pytest.raises(Refused) as used:
        shop.exchange(other, form_key=key)
    assert used.value.code == "form_used"


def test_the_first_does_not_come_back_beside_its_exchange(shop: Shop) -> None:
    first = shop.give()
    new = shop.exchange(first)
    with pytest.raises(Refused) as refused:
        restore(first, **BY)
    assert refused.value.code == "logged_again"
    void_line(new, reason="slip", **BY)
    restore(first, **BY)
    assert on_hand(shop.medium) == 14


def test_the_yes_goes_with_the_exchange_and_a_void_sets_it_free(shop: Shop) -> None:
    """The query decides: an answer is used while a standing line was given from it."""
    shop.give(2, on=TODAY - timedelta(days=200))
    record = answers.record_answer(
        patient=shop.patient,
        wish="yes",
        items=[answers.NewItem(kind="cushion", wanted=True, need="the seal is worn")],
        channel="phone",
        contacted_on=TODAY - timedelta(days=2),
        by=None,
        now=NOW - timedelta(days=2),
    )
    item = record.items.get()
    first = shop.give()
    assert first.answer_item == item
    new = shop.exchange(first)
    assert new.answer_item == item
    assert "cushion" not in answer_queries.open_items(shop.patient.pk, now=NOW)
    void_line(new, reason="slip", **BY)
    assert answer_queries.open_items(shop.patient.pk, now=NOW)["cushion"] == item


@given(
    quantity=st.integers(1, 6),
    back=st.integers(0, 60),
    wait=st.integers(0, 60),
    earlier=st.integers(0, 3),
    to_shelf=st.booleans(),
)
@settings(
    max_examples=15,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
def test_law_an_exchange_is_a_void_and_a_dispense(
    quantity: int, back: int, wait: int, earlier: int, to_shelf: bool
) -> None:
    """Plans and levels are the same as after both acts by themselves."""
    with transaction.atomic():
        shop = Shop()
        own: dict[str, Any] = {"exception_reason": "law", "notice": "not_owed"}
        if earlier:
            shop.give(earlier, on=TODAY - timedelta(days=90), **own)
        line = shop.give(quantity, on=TODAY - timedelta(days=back), **own)
        on = min(TODAY, TODAY - timedelta(days=back) + timedelta(days=wait))
        with transaction.atomic():
            void_line(line, reason=WHY, to_shelf=to_shelf, **BY)
            new = NewLine(item=shop.large, quantity=quantity, lot="L", **own)
            record_dispense(patient=shop.patient, location=shop.place, dispensed_on=on, lines=[new], **BY)
            apart = (stored(), on_hand(shop.medium), on_hand(shop.large))
            transaction.set_rollback(True)
        line.refresh_from_db()
        line.dispense.refresh_from_db()
        shop.exchange(line, on=on, back_to_shelf=to_shelf)
        assert (stored(), on_hand(shop.medium), on_hand(shop.large)) == apart
        transaction.set_rollback(True)
