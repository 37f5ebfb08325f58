"""Matches recorded by the table in force, and the clinic's own versions of it."""

from datetime import date

import pytest

from resupply.models import MatchRecord
from resupply.queries import matching as queries
from resupply.rules import matching_table
from resupply.rules.matching_table import read_table, shipped
from resupply.services import matching
from resupply.services.errors import Refused
from tests.builders import NOW, TODAY, make_patient

pytestmark = pytest.mark.django_db
SHIPPED = (matching_table.Path(matching_table.__file__).with_name("matching.toml")).read_text("utf-8")


def record(patient, answers, **over):
    values = {"answered_on": TODAY, "style": "", "note": "", "by": None, "now": NOW}
    return matching.record_match(patient=patient, answers=answers, **values | over)


def test_a_match_keeps_answers_order_and_style():
    kept = record(make_patient(), {"congestion": {"chronic"}, "earlier": set()}, style="full_face")
    assert kept.answers == {"congestion": ["chronic"]}
    assert kept.order[0] == "full_face"
    assert (kept.style, kept.version) == ("full_face", None)
    for pressure in ("4", "10.5", "11.4", "30.0"):  # a device's pressure has one decimal place as well
        assert record(make_patient(), {"pressure": {pressure}}).answers == {"pressure": [pressure]}


@pytest.mark.parametrize(
    ("answers", "over", "code", "field"),
    [
        ({"colour": {"red"}}, {}, "answer", None),
        ({"congestion": {"sometimes"}}, {}, "answer", "congestion"),
        ({"congestion": {"none", "chronic"}}, {}, "answer", "congestion"),
        ({"pressure": {"3"}}, {}, "answer", "pressure"),
        ({"pressure": {"high"}}, {}, "answer", "pressure"),
        ({"pressure": {"nan"}}, {}, "answer", "pressure"),
        ({"pressure": {"12.25"}}, {}, "answer", "pressure"),
        ({"pressure": {"1_0"}}, {}, "answer", "pressure"),
        ({"pressure": {"1e1"}}, {}, "answer", "pressure"),
        ({"pressure": {"١٢"}}, {}, "answer", "pressure"),
        ({"pressure": {"10", "12"}}, {}, "answer", "pressure"),
        ({}, {"style": "snorkel"}, "style", "style"),
        ({"therapy": {"ventilation"}}, {"style": "nasal"}, "style", "style"),
        ({}, {"answered_on": date(2026, 3, 19)}, "future", "answered_on"),
    ],
)
def test_what_is_refused_writes_nothing(answers, over, code, field):
    with pytest.raises(Refused) as refusal:
        record(make_patient(), answers, **over)
    assert (refusal.value.code, refusal.value.field) == (code, field)
    assert not MatchRecord.objects.exists()


def test_the_newest_version_begun_counts_and_earlier_matches_keep_theirs():
    before = record(make_patient(), {})
    text = SHIPPED.replace("weight = 2", "weight = 3", 1)
    version = matching.record_version(
        text, effective_from=TODAY, reason="our own experience", by=None, now=NOW
    )
    later = SHIPPED.replace("suits_from = 1", "suits_from = 2")
    matching.record_version(later, effective_from=date(2026, 4, 1), reason="from April", by=None, now=NOW)
    assert queries.table_on(TODAY).version == version
    assert queries.table_on(date(2026, 3, 17)).version is None
    assert record(make_patient(), {}).version == version
    assert queries.table_of(before) == shipped()
    found = list(queries.differences(shipped(), read_table(text)))
    assert [(row.sort, row.id) for row in found] == [("rule", "nasal_first")]
    assert "speaks for (2)" in found[0].before
    assert "speaks for (3)" in found[0].after
    matching.void_version(version, reason="not agreed", by=None, now=NOW)
    assert queries.table_on(TODAY).version is None


def test_differences_show_rows_that_came_and_went():
    shorter = read_table(SHIPPED[: SHIPPED.index('[[rule]]\nid = "hybrid_harder"')])
    gone, come = list(queries.differences(shipped(), shorter)), list(queries.differences(shorter, shipped()))
    assert [(row.id, row.after) for row in gone] == [("hybrid_harder", "")]
    assert [(row.id, row.before) for row in come] == [("hybrid_harder", "")]
    assert list(queries.differences(shipped(), shipped())) == []


def test_a_table_that_cannot_be_used_is_refused_with_its_row():
    with pytest.raises(Refused, match=r"nasal_first.*no style") as refusal:
        matching.record_version(
            SHIPPED.replace('styles = ["nasal_pillows", "nasal_cradle", "nasal"]', 'styles = ["snorkel"]', 1),
            effective_from=TODAY,
            reason="x",
            by=None,
            now=NOW,
        )
    assert (refusal.value.code, refusal.value.field) == ("table", "table")
    with pytest.raises(Refused, match="why"):
        matching.record_version(SHIPPED, effective_from=TODAY, reason=" ", by=None, now=NOW)


def test_a_match_is_taken_back_with_a_reason():
    person = make_patient()
    kept = record(person, {})
    matching.void_match(kept, reason="wrong patient", by=None, now=NOW)
    assert queries.latest_match(person) is None
    assert queries.matches(person) == [kept]
