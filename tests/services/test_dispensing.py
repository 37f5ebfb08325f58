"""Dispenses: what is refused and what it says, what a void takes back, and the plan that follows at once."""

from collections.abc import Callable
from datetime import date
from typing import Any
from uuid import uuid4

import pytest

from resupply.models import Dispense, DispenseLine, PatientStatus, PlanLine
from resupply.services import people
from resupply.services.corrections import void_dispense, void_line
from resupply.services.dispensing import NewLine, record_dispense
from resupply.services.errors import Refused
from tests.builders import NOW, TODAY, make_coverage, make_item, make_payer
from tests.cast import Cast

Give = Callable[..., Dispense]


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


def cushions(quantity: int = 1, **over: Any) -> NewLine:
    return NewLine(part_code="A7032", quantity=quantity, **over)


def plan_of(patient: Any, kind: str = "cushion") -> PlanLine:
    return PlanLine.objects.get(patient=patient, kind=kind)


def test_a_dispense_changes_the_plan_in_the_same_transaction(cast: Cast, give: Give) -> None:
    # Worked example of the rules: life 1 month, 3 units on 2026-01-31, the supply ends on 2026-04-28.
    give(cushions(3), dispensed_on=date(2026, 1, 31))
    plan = plan_of(cast.odalys)
    assert (plan.in_use_since, plan.worn_on, plan.spares) == (date(2026, 2, 28), date(2026, 3, 28), 1)
    assert plan.supply_ends_on == date(2026, 4, 28)
    assert plan.payer == cast.payer


def test_a_line_is_billed_to_the_payer_of_the_day(cast: Cast, give: Give) -> None:
    other = make_payer(name="Payer C")
    make_coverage(cast.odalys, other, starts_on=date(2026, 3, 10))
    before = give(cushions(), dispensed_on=date(2026, 3, 9)).lines.get()
    after = give(
        cushions(exception_reason="lost in the post", notice="not_owed"), dispensed_on=date(2026, 3, 10)
    ).lines.get()
    assert (before.billed_to, after.billed_to) == (cast.payer, other)


def test_what_nobody_else_pays_for_is_not_billed(cast: Cast, give: Give) -> None:
    line = give(cushions(), patient=cast.tevin, location=cast.south).lines.get()
    assert (line.billed, line.billed_to) == (False, None)
    with pytest.raises(Refused) as refused:
        give(cushions(billed=True), patient=cast.tevin, location=cast.south)
    assert (refused.value.code, refused.value.row) == ("nobody_to_bill", 0)


def test_an_item_brings_its_code_family_and_contained_parts(cast: Cast, give: Give) -> None:
    mask = make_item(kind="mask", part_code="A7034", family="Aspen", contains=["A7032", "A7035"])
    line = give(NewLine(item=mask, quantity=1)).lines.get()
    assert (line.part_code, line.kind, line.family, line.contains) == (
        "A7034",
        "mask",
        "Aspen",
        ["A7032", "A7035"],
    )
    assert set(PlanLine.objects.values_list("kind", flat=True)) == {"mask", "cushion", "headgear"}


REFUSED = [
    ({"dispensed_on": date(2026, 3, 19)}, cushions(), "future", "a day that has not come where the desk is"),
    ({"dispensed_on": date(1961, 2, 3)}, cushions(), "before_birth", "a day before the patient was born"),
    ({}, cushions(0), "quantity", "no units"),
    ({}, cushions(-2), "quantity", "fewer than no units"),
    ({}, cushions(501), "quantity", "more units than any patient is given"),
    ({}, NewLine(part_code="A9999", quantity=1), "unknown_code", "a code that is no part"),
    ({}, cushions(expires_on=date(2026, 3, 17)), "expired", "a part past its expiry"),
    ({}, cushions(expires_on=date(2026, 3, 17), exception_reason="fine"), "expired", "also with a reason"),
    ({}, cushions(first_use_on=date(2026, 3, 17)), "first_use", "first use before the dispense"),
    ({}, cushions(first_use_on=date(3026, 3, 20)), "too_far", "first use in another millennium"),
    ({}, cushions(expires_on=date(2206, 3, 17)), "expiry_far", "an expiry that no pack names"),
    ({}, cushions(contains=("A7035",)), "contains", "a cushion that contains parts"),
    ({}, NewLine(part_code="A7034", quantity=1, contains=("A7034",)), "contains", "a mask in a mask"),
    ({}, cushions(7), "too_many", "more than three months' worth at once"),
    ({}, NewLine(part_code="A7034", quantity=2), "too_many", "two masks at one per 3 months"),
]  # fmt: skip


@pytest.mark.parametrize(("over", "line", "code", "what"), REFUSED, ids=[row[3] for row in REFUSED])
def test_refused_and_nothing_is_written(
    over: dict[str, Any], line: NewLine, code: str, what: str, give: Give
) -> None:
    with pytest.raises(Refused) as refused:
        give(line, **over)
    assert refused.value.code == code
    assert refused.value.message.endswith(".")
    assert not Dispense.objects.exists()
    assert not PlanLine.objects.exists()


def test_a_part_that_expires_today_may_still_go_out(give: Give) -> None:
    assert give(cushions(expires_on=TODAY)).lines.get().expires_on == TODAY


def test_an_empty_form_is_no_dispense(give: Give) -> None:
    with pytest.raises(Refused, match="at least one part"):
        give()


def test_today_is_the_locations_day_not_the_servers(cast: Cast, give: Give) -> None:
    # 2026-03-19 03:00 UTC is still 18 March in Denver.
    late = NOW.replace(day=19, hour=3)
    with pytest.raises(Refused) as refused:
        give(cushions(), dispensed_on=date(2026, 3, 19), now=late)
    assert refused.value.code == "future"
    assert give(cushions(), dispensed_on=TODAY, now=late).dispensed_on == TODAY


def test_the_limit_of_one_code_holds_over_all_its_rows(give: Give) -> None:
    with pytest.raises(Refused) as refused:
        give(cushions(4), cushions(3))
    assert (refused.value.code, refused.value.row) == ("too_many", 1)
    assert "At most 6" in refused.value.message


def test_the_payers_example_of_a_quantity_at_once(cast: Cast, give: Give) -> None:
    # A commercial payer's printed policy (2024): 2 per month billed on 1 April leave 4 on 22 May, when the
    # supply ends on 1 June and may be refilled 10 days before.
    give(cushions(2), dispensed_on=date(2024, 4, 1))
    with pytest.raises(Refused) as early:
        give(cushions(1), dispensed_on=date(2024, 5, 21))
    assert early.value.code == "too_early"
    assert "Wed 22 May 2024" in early.value.message
    with pytest.raises(Refused) as many:
        give(cushions(5), dispensed_on=date(2024, 5, 22))
    assert "At most 4" in many.value.message
    assert give(cushions(4), dispensed_on=date(2024, 5, 22)).lines.get().quantity == 4


def test_another_code_of_the_line_has_limits_of_its_own(cast: Cast, give: Give) -> None:
    give(cushions(2), dispensed_on=date(2026, 1, 1))
    # A7033 has no allowance on file: no limit on the number, but the line's supply still says from when.
    with pytest.raises(Refused) as early:
        give(NewLine(part_code="A7033", quantity=9), dispensed_on=date(2026, 2, 18))
    assert early.value.code == "too_early"
    assert give(NewLine(part_code="A7033", quantity=9), dispensed_on=date(2026, 2, 19)).lines.count() == 1


def test_outside_the_limits_with_a_reason_that_stays_on_record(give: Give) -> None:
    line = give(cushions(7, exception_reason="  travels for four months ", notice="not_owed")).lines.get()
    assert (line.quantity, line.exception_reason) == (7, "travels for four months")
    assert (line.exception_stops, line.notice) == (["too_many"], "not_owed")


def test_what_another_supplier_gave_is_recorded_without_limits(give: Give) -> None:
    assert give(cushions(9), supplied_by="elsewhere").lines.get().quantity == 9


def test_nothing_is_dispensed_to_someone_recorded_as_dead(cast: Cast, give: Give) -> None:
    people.change_status(cast.odalys, PatientStatus.DIED, now=NOW)
    with pytest.raises(Refused) as refused:
        give(cushions())
    assert refused.value.code == "died"


def test_the_same_form_sent_twice_is_one_dispense(give: Give) -> None:
    key = uuid4()
    first = give(cushions(), form_key=key)
    assert give(cushions(), form_key=key) == first
    for other in ([cushions(2)], [cushions(lot="B")], [cushions(), NewLine(part_code="A7035", quantity=1)]):
        with pytest.raises(Refused, match="with other entries"):
            give(*other, form_key=key)
    assert DispenseLine.objects.count() == 1


def test_a_void_takes_the_plan_back_and_both_stay_on_record(cast: Cast, give: Give) -> None:
    give(cushions(1), dispensed_on=date(2026, 1, 1))
    before = PlanLine.objects.values().get()
    second = give(cushions(3), NewLine(part_code="A7035", quantity=1))
    void_dispense(second, reason="given to the wrong patient", by=cast.desk.user, now=NOW)
    assert PlanLine.objects.values().get() == before
    assert Dispense.objects.count() == 2
    line = second.lines.first()
    assert line is not None
    assert (line.void_reason, line.voided_by) == ("given to the wrong patient", cast.desk.user)


def test_a_void_needs_a_reason_and_happens_once(cast: Cast, give: Give) -> None:
    dispense = give(cushions())
    with pytest.raises(Refused) as missing:
        void_dispense(dispense, reason="  ", by=cast.desk.user, now=NOW)
    assert missing.value.code == "reason_missing"
    void_dispense(dispense, reason="slip", by=cast.desk.user, now=NOW)
    with pytest.raises(Refused) as again:
        void_dispense(dispense, reason="slip", by=cast.desk.user, now=NOW)
    assert again.value.code == "already_void"


def test_one_line_can_be_voided_and_the_last_takes_the_dispense_with_it(cast: Cast, give: Give) -> None:
    dispense = give(cushions(2), NewLine(part_code="A7035", quantity=1))
    first, second = dispense.lines.all()
    void_line(first, reason="wrong size", by=cast.desk.user, now=NOW)
    dispense.refresh_from_db()
    assert not dispense.is_voided
    assert list(PlanLine.objects.values_list("kind", flat=True)) == ["headgear"]
    void_line(second, reason="wrong size", by=cast.desk.user, now=NOW)
    dispense.refresh_from_db()
    assert dispense.is_voided
    assert not PlanLine.objects.exists()


def test_a_form_of_another_patient_is_refused(cast: Cast, give: Give) -> None:
    key = uuid4()
    give(cushions(), form_key=key)
    with pytest.raises(Refused) as refused:
        give(cushions(), form_key=key, patient=cast.tevin, location=cast.south)
    assert refused.value.code == "form_used"
