"""Nights from a file: what is taken, what is refused, and what the rules make of them."""

from datetime import date, timedelta

import pytest

from resupply.models import Night, PlanLine
from resupply.queries import nights as queries
from resupply.rules.adherence import Verdict, When
from resupply.services.errors import Refused
from resupply.services.nights import read_nights, record_nights, void_import
from tests.builders import NOW, TODAY, make_patient, make_payer

pytestmark = pytest.mark.django_db
HEADER = "night_date,usage_min,ahi_flow,press_p95_cmh2o,leak_p95_lpm,leak_kind,source\n"


def csv(*rows, header=HEADER):
    return (header + "\n".join(rows)).encode()


def read(content):
    return read_nights(content, today=TODAY)


def recorded(patient, content, **over):
    rows, report = read(content)
    assert not report.errors, report.errors
    return record_nights(patient, rows, by=None, **{"now": NOW} | over)


def many(patient, start, leaks, *, minutes=400):
    rows = [
        f"{start + timedelta(days=n)},{minutes},2.0,11.0,{leak},total,card" for n, leak in enumerate(leaks)
    ]
    return recorded(patient, csv(*rows))


def test_units_are_converted_and_the_kind_of_leak_is_kept():
    header = "night_date;usage_h;press_p95_hpa;leak_p95_lps;leak_kind\n"
    recorded(make_patient(), csv("2026-03-01;4;9.80665;0.4;Unintentional", header="\ufeff" + header))
    night = Night.objects.get()
    assert (night.usage_min, night.press_p95, night.leak_p95) == (240, 10, 24)
    assert (night.leak_kind, night.ahi_flow, night.source) == ("unintentional", None, "")


def test_the_same_file_twice_adds_nothing_and_a_newer_one_replaces_what_differs():
    person = make_patient()
    first = recorded(person, csv("2026-03-01,400,2,11,20,total,card", "2026-03-02,390,2,11,21,total,card"))
    assert (first.added, first.replaced, first.known) == (2, 0, 0)
    again = recorded(person, csv("2026-03-01,400,2.0,11.0,20.0,TOTAL,card"))
    assert (again.brought, again.known) == (None, 1)
    newer = recorded(person, csv("2026-03-01,400,2,11,20,total,card", "2026-03-02,395,2,11,21,total,card"))
    assert (newer.added, newer.replaced, newer.known) == (0, 1, 1)
    assert [night.usage_min for night in queries.nights_of(person)] == [400, 395]
    assert Night.objects.filter(patient=person).count() == 3, "the replaced night stays, voided"
    last = recorded(person, csv("2026-03-01,401,2,11,20,total,card"))
    void_import(newer.brought, reason="another patient's card", by=None, now=NOW)
    assert [night.usage_min for night in queries.nights_of(person)] == [401, 390], (
        "what was there before counts"
    )
    void_import(last.brought, reason="another patient's card", by=None, now=NOW)
    assert [night.usage_min for night in queries.nights_of(person)] == [400, 390]


@pytest.mark.parametrize(
    ("row", "column", "wrong"),
    [
        ("2026-03-18,400,,,,,", "night_date", "not over yet"),
        ("18.3.2026,400,,,,,", "night_date", "no date"),
        ("2026-03-01,,,,,,", "usage_min", "empty"),
        ("2026-03-01,1500,,,,,", "usage_min", "out of range"),
        ("2026-03-01,400,,41,,,", "press_p95_cmh2o", "out of range"),
        ("2026-03-01,400,,,much,,", "leak_p95_lpm", "no number"),
        ("2026-03-01,400,,,,huge,", "leak_kind", "no such kind"),
        (f"2026-03-01,400,,,,,{'x' * 61}", "source", "too long"),
    ],
)
def test_a_wrong_cell_is_named_with_its_row_and_mend(row, column, wrong):
    rows, report = read(csv("2026-02-27,300,,,,,", row))
    assert [(problem.row, problem.column) for problem in report.errors] == [(3, column)]
    assert wrong in report.errors[0].wrong
    assert report.errors[0].mend
    assert [night.night_on for night in rows] == [date(2026, 2, 27)]


@pytest.mark.parametrize(
    ("content", "wrong"),
    [
        (csv("2026-03-01,1,,,,,", "2026-03-01,2,,,,,"), "there twice"),
        (csv("2026-03-01,1,,,,,", "20260301,1,,,,,"), "there twice"),
        (csv("2026-03-01,1,,,,,", "2026-W09-7,1,,,,,"), "there twice"),
        (b"night_date,usage_min,usage_h\n2026-03-01,60,1", "bring the same value"),
        (b"night_date,ahi_flow\n2026-03-01,1", "missing"),
        (b"usage_min\n60", "missing"),
        (HEADER.encode(), "no night"),
        (csv(*["2026-03-01,1,,,,,"] * 5001), "5001 rows"),
        (b"\xff\xfe", "not UTF-8"),
    ],
)
def test_a_wrong_file_is_refused_as_a_whole(content, wrong):
    assert any(wrong in problem.wrong for problem in read(content)[1].errors)


def test_nothing_to_record_is_refused_and_a_file_can_be_taken_back():
    person = make_patient()
    with pytest.raises(Refused, match="no night"):
        record_nights(person, [], by=None, now=NOW)
    brought = recorded(person, csv("2026-03-01,400,2,11,20,total,card")).brought
    void_import(brought, reason="another patient's card", by=None, now=NOW)
    assert queries.nights_of(person) == []
    assert queries.imports_of(person)[0].void_reason == "another patient's card"
    with pytest.raises(Refused, match="voided already"):
        void_import(brought, reason="again", by=None, now=NOW)
    assert recorded(person, csv("2026-03-01,400,2,11,20,total,card")).added == 1


def test_use_and_reevaluation_follow_the_payer_of_the_first_night():
    """Window of day 31 to 91: CMS LCD L33718 as the contractors restate it; or the payer's own days."""
    payer = make_payer(reevaluation="pap")
    person = make_patient(payer=payer, therapy_started_on=date(2025, 1, 1))
    many(person, date(2025, 1, 1), [20] * 30)
    found = queries.first_months(person, queries.nights_of(person), last_night_over=date(2026, 3, 17))
    assert found.adherence.verdict is Verdict.MET
    assert found.adherence.through == date(2025, 1, 30)
    assert (found.window.first, found.window.last) == (date(2025, 1, 31), date(2025, 4, 1))
    assert found.window.when(date(2025, 4, 2)) is When.LATE
    payer.reevaluation_last = 100
    payer.save()
    found = queries.first_months(person, [], last_night_over=date(2026, 3, 17))
    assert found.window.last == date(2025, 4, 10)
    assert found.adherence.verdict is Verdict.OPEN
    assert queries.first_months(make_patient(therapy_started_on=None), [], last_night_over=TODAY) is None
    assert queries.first_months(make_patient(), [], last_night_over=TODAY).window is None


def test_leak_is_compared_since_the_cushion_in_use_was_put_on(django_assert_num_queries):
    person = make_patient()
    start = TODAY - timedelta(days=30)
    line = PlanLine(kind="cushion", part_code="A7032", in_use_since=start)
    many(person, start - timedelta(days=20), [60] * 20 + [20, 22] * 7 + [31] * 7)
    found = queries.leak_since(queries.nights_of(person), [line], as_of=TODAY)
    assert [(leak.since, leak.nights, leak.look.found) for leak in found] == [(start, 21, True)]
    assert queries.leak_since([], [line], as_of=TODAY)[0].look.why_not.value == "too_few_nights"
    assert queries.leak_since(queries.nights_of(person), [PlanLine(kind="tubing")], as_of=TODAY) == []
    with django_assert_num_queries(3):
        assert queries.rising_leak(set(), today=TODAY, recent=TODAY - timedelta(days=14)) == []
