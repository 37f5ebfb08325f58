"""Cleaning: the shipped tasks against published guidance, and the days of the checklists.

What each source says stands here a second time, written from the published pages: Sleep Health Foundation
(Australia, "Caring for your CPAP equipment"), HealthInfo Canterbury (New Zealand public health service,
"Long-term CPAP therapy"; where a task stands under "weekly" is inferred for three tasks), Northfield Hospital
sleep center (US), a patient information site (UK) and a group practice (US). No evidence-based guideline
exists (Sleep Med Rev 2024, doi 10.1016/j.smrv.2024.102017). "CP" is common practice of the trade.
"""

from calendar import monthrange
from datetime import date, timedelta
from typing import Any

import pytest
from dateutil.relativedelta import relativedelta
from hypothesis import given
from hypothesis import strategies as st

from resupply.rules import cleaning
from resupply.rules.cleaning import Checklist, CleaningVersion, Frequency
from resupply.rules.facts import Pause
from resupply.rules.kinds import Kind
from tests.rules.build import on

AU, NZ, US, UK, PRACTICE = (
    "Sleep Health Foundation",
    "HealthInfo Canterbury",
    "Northfield",
    "(UK)",
    "practice",
)

GUIDANCE = {
    "empty_chamber": {AU: "daily", NZ: "daily", US: "daily", PRACTICE: "daily"},
    "wash_cushion": {AU: "weekly", NZ: "daily", US: "daily", UK: "daily", PRACTICE: "daily"},
    "wash_mask": {AU: "weekly", US: "daily", UK: "weekly"},
    "wash_headgear": {AU: "weekly", NZ: "weekly", US: "weekly", UK: "weekly"},
    "wash_chin_strap": {US: "weekly"},
    "wash_tubing": {AU: "weekly", NZ: "weekly", US: "weekly", PRACTICE: "every 2-3 days"},
    "wash_chamber": {AU: "weekly", NZ: "weekly", US: "daily", PRACTICE: "every 2-3 days"},
    "descale_chamber": {AU: "monthly"},
    "check_filter": {NZ: "monthly", UK: "monthly"},
    "wipe_device": {UK: "daily"},
}
DEFAULTS = {
    "empty_chamber": "daily",
    "wash_cushion": "daily",
    "wash_headgear": "weekly",
    "wash_tubing": "weekly",
    "wash_chamber": "weekly",
    "descale_chamber": "monthly",
    "check_filter": "monthly",
    "wash_chin_strap": "weekly",
    "wipe_device": "weekly",
    "wash_mask": "weekly",
}
ALL = frozenset(Kind)


@pytest.fixture(autouse=True)
def _read_anew() -> None:
    """The shipped table as it is read now, not as another module read it."""
    for kept in (cleaning.cleaning_tasks, cleaning.cautions, cleaning.first_use_wash, cleaning._load):
        kept.cache_clear()


def lists(
    held: frozenset[Kind] = ALL, since: str = "2026-01-01", as_of: str = "2026-06-01", **over: object
) -> tuple[Checklist, ...]:
    values: dict[str, object] = {"held_since": on(since), "pauses": (), "choices": ()}
    return cleaning.checklists(held=held, as_of=on(as_of), **(values | over))  # type: ignore[arg-type]


def of(found: tuple[Checklist, ...], frequency: Frequency) -> list[tuple[str, str | None]]:
    return [
        (c.starts_on.isoformat(), c.ends_on.isoformat() if c.ends_on else None)
        for c in found
        if c.frequency is frequency
    ]


def test_the_shipped_frequencies_are_the_published_defaults() -> None:
    assert {code: task.frequency.value for code, task in cleaning.cleaning_tasks().items()} == DEFAULTS


@pytest.mark.parametrize("code", sorted(GUIDANCE))
def test_each_default_is_said_by_every_source_shown_for_it(code: str) -> None:
    task = cleaning.cleaning_tasks()[code]
    said = {
        next(name for name in GUIDANCE[code] if name in source): seen.value if seen else "every 2-3 days"
        for source, seen in task.seen.items()
    }
    assert said == GUIDANCE[code]
    if task.mark == "CP":  # one task has no source that says its default, and says so
        assert (code, task.sources) == ("wipe_device", ("Common practice of the trade",))
        return
    assert task.sources
    for source in task.sources:
        assert task.seen[source] == task.frequency
    assert set(task.sources) == {source for source, seen in task.seen.items() if seen == task.frequency}


def test_no_text_offers_ozone_or_ultraviolet_cleaning_bleach_or_alcohol() -> None:
    """US FDA safety communication of 2020-02-27: no such machine was cleared for PAP equipment."""
    for task in [*cleaning.cleaning_tasks().values(), cleaning.first_use_wash()]:
        for language in ("en", "es"):
            words = f"{task.title[language]} {task.how[language]}".lower()
            assert not any(bad in words for bad in ("ozone", "ozono", "ultrav", "bleach", "cloro", "alcohol"))
    warning = next(c for c in cleaning.cautions() if c.code == "ozone_uv")
    assert "FDA" in warning.source
    assert warning.source.endswith("2020-02-27")
    assert warning.text["en"].startswith("Do not use")


def test_the_usual_cautions_are_there_in_both_languages() -> None:
    codes = [caution.code for caution in cleaning.cautions()]
    marks = {caution.code: caution.mark for caution in cleaning.cautions()}
    assert marks.pop("ozone_uv") == "P2"
    assert set(marks.values()) == {"CP"}
    assert cleaning.cautions()[0].source == "Common practice of the trade"
    assert codes == ["unplug", "agents", "dry", "instructions", "ozone_uv"]
    assert all(caution.text["en"] and caution.text["es"] for caution in cleaning.cautions())


@pytest.mark.parametrize(
    ("held", "tasks"),
    [
        (set(), set()),
        ({Kind.TUBING}, {"wash_tubing", "wipe_device"}),
        ({Kind.CUSHION}, {"wash_cushion", "wipe_device"}),
        ({Kind.MASK}, {"wash_cushion", "wash_mask", "wipe_device"}),
        ({Kind.FILTER_DISPOSABLE}, {"check_filter", "wipe_device"}),
        ({Kind.CHAMBER}, {"empty_chamber", "wash_chamber", "descale_chamber", "wipe_device"}),
        (set(Kind) - {Kind.CHAMBER}, set(DEFAULTS) - {"empty_chamber", "wash_chamber", "descale_chamber"}),
        (set(Kind), set(DEFAULTS)),
    ],
)
def test_a_patient_has_the_tasks_of_the_parts_held_and_no_chamber_task_without_one(
    held: set[Kind], tasks: set[str]
) -> None:
    found = lists(frozenset(held))
    assert {task for checklist in found for task in checklist.tasks} == tasks
    assert sum(len(checklist.tasks) for checklist in found) == len(tasks)
    frequencies = [checklist.frequency for checklist in found]
    assert len(set(frequencies)) == len(frequencies)


def test_nothing_ever_held_means_no_cleaning() -> None:
    assert lists(held_since=None) == ()


@pytest.mark.parametrize(
    ("pauses", "as_of", "expected", "sentence"),
    [
        ([], "2026-06-01", [("2026-01-01", None)], "one series since the first part"),
        (
            [("2026-02-01", "2026-02-08")],
            "2026-06-01",
            [("2026-01-01", "2026-02-01"), ("2026-02-08", None)],
            "a series ends where the pause starts; another starts where it ends",
        ),
        ([("2026-02-01", None)], "2026-06-01", [("2026-01-01", "2026-02-01")], "an open pause ends cleaning"),
        ([("2026-06-02", None)], "2026-06-01", [("2026-01-01", None)], "a pause to come is not known yet"),
        (
            [("2026-05-01", "2026-07-01")],
            "2026-06-01",
            [("2026-01-01", "2026-05-01"), ("2026-07-01", None)],
            "a pause whose end lies ahead counts up to that end",
        ),
        (
            [("2026-02-01", "2026-03-01"), ("2026-02-15", "2026-03-10")],
            "2026-06-01",
            [("2026-01-01", "2026-02-01"), ("2026-03-10", None)],
            "pauses that overlap are one",
        ),
        (
            [("2025-12-20", "2026-01-10")],
            "2026-06-01",
            [("2026-01-10", None)],
            "a pause over the first day delays the start",
        ),
        ([("2026-02-01", "2026-02-01")], "2026-06-01", [("2026-01-01", None)], "a pause of no day is none"),
    ],
)
def test_series_are_split_by_pauses(
    pauses: list[tuple[str, str | None]], as_of: str, expected: list[tuple[str, str | None]], sentence: str
) -> None:
    told = [Pause(on(start), on(until) if until else None) for start, until in pauses]
    found = lists(pauses=told, as_of=as_of)
    for frequency in Frequency:
        assert of(found, frequency) == expected, sentence


def test_a_choice_of_the_clinic_acts_from_its_day_on_and_leaves_other_checklists_alone() -> None:
    choices = [CleaningVersion(on("2026-03-01"), "wash_tubing", Frequency.MONTHLY)]
    found = lists(choices=choices, as_of="2026-02-01")
    assert of(found, Frequency.DAILY) == [("2026-01-01", None)]
    assert of(found, Frequency.WEEKLY) == [("2026-01-01", "2026-03-01"), ("2026-03-01", None)]
    assert of(found, Frequency.MONTHLY) == [("2026-01-01", "2026-03-01"), ("2026-03-01", None)]
    later = [c for c in found if c.starts_on == on("2026-03-01")]
    assert ["wash_tubing" in c.tasks for c in later] == [False, True]


def test_a_choice_can_drop_a_task_and_of_one_day_the_last_recorded_counts() -> None:
    first = CleaningVersion(on("2025-01-01"), "empty_chamber", Frequency.WEEKLY)
    last = CleaningVersion(on("2025-01-01"), "empty_chamber", None)
    tasks = {t for c in lists(choices=[first, last]) for t in c.tasks}
    assert tasks == set(DEFAULTS) - {"empty_chamber"}
    assert "empty_chamber" in next(
        c.tasks for c in lists(choices=[last, first]) if c.frequency is Frequency.WEEKLY
    )


def test_a_series_that_goes_on_over_anothers_change_still_ends_with_a_pause() -> None:
    found = lists(
        choices=[CleaningVersion(on("2026-02-01"), "wash_tubing", None)], pauses=[Pause(on("2026-03-01"))]
    )
    assert of(found, Frequency.DAILY) == [("2026-01-01", "2026-03-01")]
    assert of(found, Frequency.WEEKLY) == [("2026-01-01", "2026-02-01"), ("2026-02-01", "2026-03-01")]


def test_a_checklist_whose_last_task_is_dropped_ends() -> None:
    found = lists(
        frozenset({Kind.FILTER_DISPOSABLE}), choices=[CleaningVersion(on("2026-03-01"), "check_filter", None)]
    )
    assert of(found, Frequency.MONTHLY) == [("2026-01-01", "2026-03-01")]


@pytest.mark.parametrize(
    ("frequency", "start", "end", "over", "expected", "sentence"),
    [
        (
            Frequency.DAILY, "2024-02-28", "2024-03-02", {},
            "2024-02-28 2024-02-29 2024-03-01",
            "daily, the end not included",
        ),
        (
            Frequency.WEEKLY, "2024-02-26", "2024-03-11", {"weekday": 0},
            "2024-02-26 2024-03-04",
            "weekly on Mondays",
        ),
        (
            Frequency.MONTHLY, "2024-01-01", "2024-05-01", {},
            "2024-01-31 2024-02-29 2024-03-31 2024-04-30",
            "the 31st, or the last day of a shorter month, leap day included",
        ),
        (
            Frequency.MONTHLY, "2025-01-30", "2025-04-01", {"month_day": 29},
            "2025-02-28 2025-03-29",
            "the 29th of January is past; February has 28 days",
        ),
        (
            Frequency.DAILY, "2024-01-01", "2024-01-12", {},
            "2024-01-10 2024-01-11",
            "not before the checklist starts",
        ),
        (
            Frequency.DAILY, "2024-01-30", "2024-02-20", {"ends_on": "2024-02-01"},
            "2024-01-30 2024-01-31",
            "the day it ends is not part of it",
        ),
        (
            Frequency.WEEKLY, "2024-01-30", "2024-02-05", {"ends_on": "2024-03-01"},
            "2024-02-04",
            "nor are days after the window",
        ),
        (Frequency.DAILY, "2024-03-01", "2024-03-01", {}, "", "an empty window"),
        (
            Frequency.MONTHLY, "9999-11-01", "9999-12-31", {"month_day": 30},
            "9999-11-30 9999-12-30",
            "the calendar's own end",
        ),
        (Frequency.WEEKLY, "9999-12-20", "9999-12-31", {}, "9999-12-26", "the calendar's own end, weekly"),
    ],
)  # fmt: skip
def test_days_of_a_checklist(
    frequency: Frequency, start: str, end: str, over: dict[str, Any], expected: str, sentence: str
) -> None:
    """Sundays and the 31st unless said; the checklist starts on 2024-01-10."""
    chosen = {"weekday": 6, "month_day": 31, "ends_on": None} | over
    ends_on = chosen.pop("ends_on")
    checklist = Checklist(frequency, on("2024-01-10"), on(ends_on) if ends_on else None, ("any",))
    found = cleaning.dates(checklist, start=on(start), end=on(end), **chosen)
    assert " ".join(day.isoformat() for day in found) == expected, sentence


@given(start=st.dates(date(2020, 1, 1), date(2030, 1, 1)), month_day=st.integers(1, 31))
def test_monthly_days_are_those_of_python_dateutil(start: date, month_day: int) -> None:
    """python-dateutil's `relativedelta(day=n)` clamps to the month's last day in the same way."""
    found = cleaning.dates(
        Checklist(Frequency.MONTHLY, start, None, ("any",)),
        weekday=0,
        month_day=month_day,
        start=start,
        end=start + relativedelta(years=2),
    )
    months = [start + relativedelta(day=1, months=n) + relativedelta(day=month_day) for n in range(25)]
    assert list(found) == [day for day in months if start <= day < start + relativedelta(years=2)]


@given(
    start=st.dates(date(2024, 1, 1), date(2026, 1, 1)),
    days=st.integers(0, 400),
    weekday=st.integers(0, 6),
    month_day=st.integers(1, 31),
    frequency=st.sampled_from(Frequency),
)
def test_days_agree_with_looking_at_every_day(
    start: date, days: int, weekday: int, month_day: int, frequency: Frequency
) -> None:
    def is_day(day: date) -> bool:
        if frequency is Frequency.DAILY:
            return True
        if frequency is Frequency.WEEKLY:
            return day.weekday() == weekday
        return day.day == min(month_day, monthrange(day.year, day.month)[1])

    end = start + timedelta(days=days)
    checklist = Checklist(frequency, start, None, ("any",))
    found = cleaning.dates(checklist, weekday=weekday, month_day=month_day, start=start, end=end)
    every = [start + timedelta(days=n) for n in range(days)]
    assert list(found) == [day for day in every if is_day(day)]


def test_the_wash_before_first_use_is_common_practice_and_says_how() -> None:
    wash = cleaning.first_use_wash()
    assert (wash.code, wash.mark, wash.sources) == (
        "wash_before_first_use",
        "CP",
        ("Common practice of the trade",),
    )
    assert wash.kinds == ALL - {Kind.FILTER_DISPOSABLE, Kind.FILTER_REUSABLE}
    assert not wash.for_device
    assert "mild soap" in wash.how["en"]


def test_new_parts_are_washed_on_their_start_day_but_not_disposable_filters() -> None:
    washes = cleaning.first_use_washes(
        {
            Kind.TUBING: [on("2026-03-01")],
            Kind.CUSHION: [on("2026-03-01"), on("2026-02-01")],
            Kind.FILTER_DISPOSABLE: [on("2026-03-01")],
        }
    )
    assert [(wash.on.isoformat(), wash.kinds) for wash in washes] == [
        ("2026-02-01", (Kind.CUSHION,)),
        ("2026-03-01", (Kind.CUSHION, Kind.TUBING)),
    ]
