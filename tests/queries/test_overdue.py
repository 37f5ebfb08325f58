"""The overdue list: who is on it, its filters, its pages and its totals."""

from datetime import date, timedelta

import pytest

from resupply.models import PlanLine
from resupply.queries.overdue import (
    PAGE,
    OverdueFilter,
    Place,
    overdue_lines,
    overdue_page,
    overdue_rows,
)
from resupply.queries.overdue_ages import AGES, overdue_by_age
from resupply.queries.plans import to_plan
from resupply.rules.kinds import Kind
from resupply.rules.lines import State, read
from resupply.services import people, plans
from tests.builders import NOW, TODAY, make_dispense, make_event, make_patient, make_payer
from tests.cast import Cast

EVERYTHING = OverdueFilter()


def late(cast: Cast, days: int, **over: object) -> PlanLine:
    """A patient whose cushion's supply ended so many days ago."""
    patient = make_patient(**{"location": cast.north} | over)  # type: ignore[arg-type]
    make_dispense(patient, on=TODAY - timedelta(days=days + 7), lines=[{"part_code": "A7032"}])
    patient.lives.create(
        part_code="A7032", period_count=7, period_unit="day", effective_from=date(2020, 1, 1), reason="test"
    )
    plans.refresh_plans([patient.pk], now=NOW)
    return PlanLine.objects.get(patient=patient)


def test_overdue_from_the_day_after_the_supply_ends(cast: Cast) -> None:
    ended_yesterday, ended_today = late(cast, 1), late(cast, 0)
    assert list(overdue_lines(EVERYTHING, today=TODAY)) == [ended_yesterday]
    tomorrow = TODAY + timedelta(days=1)
    assert set(overdue_lines(EVERYTHING, today=tomorrow)) == {ended_yesterday, ended_today}


def test_the_list_holds_exactly_the_lines_the_rules_call_overdue(cast: Cast) -> None:
    for days in (-3, 0, 1, 5):
        row = late(cast, days)
        for on, until in [
            (TODAY - timedelta(days=2), None),
            (TODAY, TODAY + timedelta(days=1)),
            (TODAY - timedelta(days=2), TODAY),
            (TODAY + timedelta(days=1), None),
        ]:
            other = late(cast, days)
            make_event(other.patient, "pause", on=on, until=until)
            plans.refresh_plans([other.patient_id], now=NOW)
        assert row.active
    by_rules = {
        row.pk for row in PlanLine.objects.all() if read(to_plan(row), as_of=TODAY).state is State.OVERDUE
    }
    listed = {row.pk for row in overdue_lines(EVERYTHING, today=TODAY)}
    assert listed == by_rules
    assert 0 < len(listed) < PlanLine.objects.count()


def test_patients_off_therapy_are_not_listed(cast: Cast) -> None:
    row = late(cast, 5)
    people.change_status(row.patient, "ended", now=NOW)
    assert not overdue_lines(EVERYTHING, today=TODAY).exists()


def test_filters(cast: Cast) -> None:
    payer = make_payer()
    a = late(cast, 5, payer=payer)
    b = late(cast, 40, location=cast.south)
    assert list(overdue_lines(OverdueFilter(location_ids=frozenset({cast.south.pk})), today=TODAY)) == [b]
    assert list(overdue_lines(OverdueFilter(payer_id=payer.pk), today=TODAY)) == [a]
    assert list(overdue_lines(OverdueFilter(payer_id=0), today=TODAY)) == [b]
    assert not overdue_lines(OverdueFilter(kind=Kind.MASK), today=TODAY).exists()
    assert list(overdue_lines(OverdueFilter(kind=Kind.CUSHION, least_days=40), today=TODAY)) == [b]
    assert list(overdue_lines(OverdueFilter(least_days=5, most_days=39), today=TODAY)) == [a]


@pytest.mark.parametrize("longest_first", [True, False])
def test_pages_hold_every_row_once_in_order_there_and_back(cast: Cast, longest_first: bool) -> None:
    patient = make_patient(location=cast.north)
    make_dispense(patient, on=date(2026, 1, 1))
    plans.refresh_plans([patient.pk], now=NOW)
    model = PlanLine.objects.get(patient=patient)
    copies = []
    for number in range(2 * PAGE + 6):  # many share a day: the id decides among them
        model.pk, model.patient = None, make_patient(location=cast.north)
        model.supply_ends_on = date(2026, 2, 1) + timedelta(days=number // 9)
        model.save(force_insert=True)
        copies.append((model.supply_ends_on, model.pk))
    copies.append((date(2026, 2, 1), PlanLine.objects.get(patient=patient).pk))
    wanted = sorted(copies, reverse=not longest_first)

    seen, page = [], overdue_page(EVERYTHING, today=TODAY, longest_first=longest_first)
    assert page.before is None
    pages = [page]
    while page.after is not None:
        page = overdue_page(EVERYTHING, today=TODAY, longest_first=longest_first, after=page.after)
        pages.append(page)
    seen = [(row.supply_ends_on, row.pk) for page in pages for row in page.rows]
    assert seen == wanted
    assert [len(page.rows) for page in pages] == [PAGE, PAGE, 7]
    back = overdue_page(EVERYTHING, today=TODAY, longest_first=longest_first, before=pages[2].before)
    assert [row.pk for row in back.rows] == [row.pk for row in pages[1].rows]
    first = overdue_page(EVERYTHING, today=TODAY, longest_first=longest_first, before=back.before)
    assert [row.pk for row in first.rows] == [row.pk for row in pages[0].rows]
    assert first.before is None


def test_totals_by_age_of_delay_add_up_to_the_list(cast: Cast) -> None:
    for days in (0, 1, 7, 8, 30, 31, 60, 61, 90, 91, 400):
        late(cast, days)
    assert overdue_by_age(EVERYTHING, today=TODAY) == [2] * len(AGES)
    rows = [(TODAY - row.supply_ends_on).days for row in overdue_rows(EVERYTHING, today=TODAY)]
    assert rows == [400, 91, 90, 61, 60, 31, 30, 8, 7, 1]


def test_a_page_is_one_query_that_compares_rows(cast: Cast, django_assert_num_queries) -> None:  # type: ignore[no-untyped-def]
    row = late(cast, 5)
    place = overdue_page(EVERYTHING, today=TODAY)
    assert place.after is None
    with django_assert_num_queries(1) as queries:
        page = overdue_page(EVERYTHING, today=TODAY, after=Place(TODAY - timedelta(days=9), 0))
        [(r.patient.name, r.location_name, r.payer_name) for r in page.rows]
    assert page.rows == [row]
    sql = queries.captured_queries[0]["sql"]
    assert ") > (" in sql
    assert "COUNT" not in sql
