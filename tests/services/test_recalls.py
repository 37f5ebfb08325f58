"""Recalls: what they name, that they stand until voided, and whom they touch."""

from datetime import date, timedelta
from typing import Any

import pytest
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext

from resupply.models import Patient, Recall
from resupply.queries import recalls as queries
from resupply.services import plans, recalls
from resupply.services.errors import Refused
from resupply.services.recalls import RecallDetails
from tests.builders import NOW, TODAY, make_dispense, make_event, make_item, make_patient, make_recall
from tests.cast import Cast

pytestmark = pytest.mark.django_db


def record(**over: Any) -> Recall:
    values: dict[str, Any] = {"title": "Strap clip breaks", "issued_on": TODAY, "source": "maker's letter"}
    return recalls.record_recall(RecallDetails(**values | over), by=None, today=TODAY, now=NOW)


def hit(**part: Any) -> bool:
    values: dict[str, Any] = {"item_id": None, "family": "", "part_code": "A7032", "lot": ""}
    return queries.hits(queries.standing(), **values | part) is not None


@pytest.mark.parametrize(
    ("named", "part", "expected", "why"),
    [
        ({"lot": "D1"}, {"lot": "D1"}, True, "the lot"),
        ({"lot": " d1 "}, {"lot": "D1  "}, True, "whatever capitals and blanks"),
        ({"lot": "D1"}, {"lot": "D12"}, False, "another lot"),
        ({"lot": "D1"}, {"lot": ""}, False, "a lot that nobody read is not the recalled one"),
        ({"part_code": "A7032"}, {"lot": "D1"}, True, "every lot of a code"),
        ({"part_code": "A7033"}, {}, False, "another code"),
        ({"family": "Aspen"}, {"family": "aspen"}, True, "the family"),
        ({"family": "Aspen"}, {"family": ""}, False, "no family"),
        (
            {"family": "Aspen", "lot": "D1"},
            {"family": "Aspen", "lot": "D2"},
            False,
            "each filled field narrows",
        ),
        ({"family": "Aspen", "lot": "D1"}, {"family": "Aspen", "lot": "D1"}, True, "all filled fields fit"),
    ],
)
def test_what_a_recall_names(named: dict[str, str], part: dict[str, str], expected: bool, why: str) -> None:
    record(**named)
    assert hit(**part) is expected, why


def test_a_recall_names_an_item() -> None:
    item, other = make_item(), make_item()
    record(item=item, lot="D1")
    assert hit(item_id=item.pk, lot="d1")
    assert not hit(item_id=other.pk, lot="D1")
    assert not hit(lot="D1")
    rows = queries.standing()
    assert queries.depends_on_lot(rows, item_id=item.pk, family="", part_code="A7032")
    assert queries.depends_on_lot(rows, item_id=other.pk, family="", part_code="A7032") is None


def test_voided_it_no_longer_stands() -> None:
    recall = record(lot="D1")
    recalls.void_recall(recall, reason="lifted by the maker", by=None, now=NOW)
    assert not hit(lot="D1")
    with pytest.raises(Refused) as found:
        recalls.void_recall(recall, reason="again", by=None, now=NOW)
    assert found.value.code == "already_void"
    assert Recall.objects.get().void_reason == "lifted by the maker"


@pytest.mark.parametrize(
    ("over", "code", "field"),
    [
        ({"title": " ", "lot": "D1"}, "title_missing", "title"),
        ({"source": "", "lot": "D1"}, "source_missing", "source"),
        ({"issued_on": TODAY + timedelta(days=1), "lot": "D1"}, "future", "issued_on"),
        ({}, "names_nothing", "item"),
        ({"lot": "  "}, "names_nothing", "item"),
        ({"part_code": "X1"}, "unknown_code", "part_code"),
    ],
)
def test_what_is_refused(over: dict[str, Any], code: str, field: str) -> None:
    with pytest.raises(Refused) as found:
        record(**over)
    assert (found.value.code, found.value.field) == (code, field)
    assert not Recall.objects.exists()


def test_an_item_of_another_code_or_family_contradicts() -> None:
    item = make_item(family="Aspen")
    record(item=item, family="aspen", part_code="A7032")
    for over in ({"part_code": "A7033"}, {"family": "Birch"}):
        with pytest.raises(Refused) as found:
            record(item=item, **over)
        assert found.value.code == "contradiction"


def test_without_a_reason_it_is_not_voided() -> None:
    recall = record(lot="D1")
    with pytest.raises(Refused):
        recalls.void_recall(recall, reason=" ", by=None, now=NOW)
    assert hit(lot="D1")


def test_whom_a_lot_touches_and_what_is_left_of_it(cast: Cast) -> None:
    """Odalys got three of the lot on 1 February: one worn, one in use, one spare. Tevin's were voided."""
    item = make_item()
    make_dispense(cast.odalys, on=date(2026, 2, 1), lines=[{"quantity": 3, "lot": "d1", "item": item}])
    make_dispense(cast.odalys, on=date(2025, 1, 1), lines=[{"quantity": 1, "lot": "D1", "item": item}])
    make_dispense(cast.odalys, on=date(2026, 2, 2), lines=[{"part_code": "A7033", "lot": "D1"}])
    given = make_dispense(cast.tevin, on=date(2026, 2, 1), lines=[{"quantity": 1, "lot": "D1", "item": item}])
    given.lines.update(voided_at=NOW, void_reason="another patient")
    recall = make_recall(item=item, lot="D1")
    lines, more = queries.named_lines(recall, among=Patient.objects.all(), today=TODAY, page=1)
    assert [(row.line.dispense.dispensed_on, row.holds) for row in lines] == [
        (date(2026, 2, 1), 2),
        (date(2025, 1, 1), 0),
    ]
    assert more is False
    assert queries.count_touched(recall) == 2
    make_event(cast.odalys, "loss", on=TODAY)
    (newest, _), _ = queries.named_lines(recall, among=Patient.objects.all(), today=TODAY, page=1)
    assert newest.holds == 1


def test_pages_and_the_same_queries_for_one_and_for_sixty(cast: Cast) -> None:
    recall = make_recall(lot="D1")
    counts = []
    for number in (1, 59):
        for _ in range(number):
            make_dispense(make_patient(location=cast.south), lines=[{"lot": "D1"}])
        with CaptureQueriesContext(connection) as asked:
            lines, more = queries.named_lines(recall, among=Patient.objects.all(), today=TODAY, page=1)
        counts.append(len(asked))
    assert counts[0] == counts[1]
    assert (len(lines), more) == (queries.PAGE, True)
    rest, more = queries.named_lines(recall, among=Patient.objects.all(), today=TODAY, page=2)
    assert (len(rest), more) == (10, False)
    assert not {row.line.pk for row in lines} & {row.line.pk for row in rest}


def test_recalls_that_name_an_item() -> None:
    item = make_item(family="Aspen")
    own, lot = make_recall(item=item), make_recall(item=item, lot="D1")
    family, code = make_recall(family="aspen"), make_recall(part_code="A7032")
    make_recall(family="Birch")
    make_recall(lot="D1")  # of any item: it is known when a lot is read
    make_recall(part_code="A7033")
    make_recall(item=item, voided_at=NOW, void_reason="lifted")
    assert set(queries.naming(item)) == {own, lot, family, code}


def test_a_recall_changes_no_plan(cast: Cast) -> None:
    make_dispense(cast.odalys, lines=[{"lot": "D1"}])
    plans.refresh_plans([cast.odalys.pk], now=NOW)
    before = list(cast.odalys.plan_lines.values())
    record(lot="D1")
    plans.refresh_plans([cast.odalys.pk], now=NOW)
    assert list(cast.odalys.plan_lines.values()) == before


def test_a_lot_is_found_by_its_index(cast: Cast) -> None:
    """In any capitals, without reading every line there is."""
    make_dispense(cast.tevin, lines=[{"lot": "d1"}])
    recall = make_recall(lot="D1")
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("SET LOCAL enable_seqscan = off")
        plan = queries.touched(recall).explain()
    assert "dispense_line_lot_upper" in plan
    assert queries.count_touched(recall) == 1
