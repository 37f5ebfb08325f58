"""Dates, states and quantities as pages show them."""

from datetime import UTC, date, datetime

import pytest
from django.template import Context, Template

from resupply.rules.kinds import Kind
from resupply.web.wording import KIND_WORDS

TODAY = date(2026, 3, 18)


def show(source: str, **context: object) -> str:
    return Template("{% load evenkeep %}" + source).render(Context({"today": TODAY} | context)).strip()


@pytest.mark.parametrize(
    ("day", "shown"),
    [
        (date(2026, 3, 28), '<time datetime="2026-03-28">Sat 28 Mar</time>'),
        (date(2025, 12, 28), '<time datetime="2025-12-28">Sun 28 Dec 2025</time>'),
        (date(2027, 1, 1), '<time datetime="2027-01-01">Fri 1 Jan 2027</time>'),
        (None, ""),
    ],
)
def test_a_date_has_its_year_only_where_it_differs(day: date | None, shown: str) -> None:
    assert show("{% day d %}", d=day) == shown


def test_a_source_names_its_days_as_people_read_them() -> None:
    shown = show("{{ s|cited }}", s="CMS-1780-F, 88 FR 77676 (2023-11-13); reminder 2024-01-04")
    assert shown == "CMS-1780-F, 88 FR 77676 (13 Nov 2023); reminder 4 Jan 2024"


def test_without_today_a_date_always_has_its_year() -> None:
    assert show("{% day d plain=True %}", d=TODAY, today=None) == "Wed 18 Mar 2026"


def test_a_moment_is_shown_in_the_pages_zone() -> None:
    moment = datetime(2026, 3, 18, 23, 30, tzinfo=UTC)
    source = "{% load tz %}{% timezone 'Pacific/Auckland' %}{% when m %}{% endtimezone %}"
    assert show(source, m=moment) == '<time datetime="2026-03-18T23:30:00+00:00">Thu 19 Mar, 12:30</time>'


@pytest.mark.parametrize(
    ("source", "shown"),
    [
        ("{{ d|birth }}", "28 Mar 2026"),
        ("{{ d|month_year }}", "Mar 2026"),
        ("{{ 1|days }}", "1 day"),
        ("{{ 9|days }}", "9 days"),
        ("{{ None|days }}", ""),
        ('{{ 0|counted:"spare" }}', "0 spares"),
        ('{{ 1200|counted:"battery,batteries" }}', "1,200 batteries"),
        ("{{ none|limit_words }}", "no published limit"),
        ("{{ 0|limit_words }}", "0"),
        ("{{ 'filter_disposable'|kind_word }}", "Disposable filter"),
    ],
)
def test_words(source: str, shown: str) -> None:
    assert show(source, d=date(2026, 3, 28), none=None) == shown


def test_a_state_is_a_word_with_its_days_and_says_that_it_waits() -> None:
    assert show("{% state 'overdue' 9 %}") == '<span class="state state-overdue">9 days overdue</span>'
    assert "Due today</span> " in show("{% state 'due' None True %}")
    assert "waiting for coverage" in show("{% state 'due' None True %}")


def test_every_kind_has_its_name() -> None:
    assert KIND_WORDS.keys() == {kind.value for kind in Kind}


def test_why_shows_each_step_with_value_and_source() -> None:
    steps = [{"text": "Life of the part", "value": "3 months", "source": "clinic <policy>"}]
    shown = show('{% include "components/_why.html" %}', steps=steps, about="Mask")
    assert "<summary>why?" in shown
    assert "3 months" in shown
    assert "clinic &lt;policy&gt;" in shown


def test_why_without_script_is_a_link_to_the_steps() -> None:
    shown = show('{% include "components/_why.html" %}', url="/why/7/")
    assert 'hx-get="/why/7/"' in shown
    assert '<a href="/why/7/">' in shown


def test_facts_show_dates_numbers_and_what_is_missing() -> None:
    facts = [
        {"label": "Supply ends", "value": date(2026, 3, 28)},
        {"label": "Spares", "value": 0},
        {"label": "Covered", "value": None},
    ]
    shown = show('{% include "components/_facts.html" %}', facts=facts)
    assert '<time datetime="2026-03-28">' in shown
    assert "<dd>0</dd>" in shown
    assert '<span class="none">none</span>' in shown
