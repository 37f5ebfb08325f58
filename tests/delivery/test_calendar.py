"""The bytes of the feed, expanded and parsed by libraries that know nothing of us.

References: RFC 5545 (line length, line ends, DTSTART and RRULE, UNTIL), RFC 7986 (NAME, REFRESH-INTERVAL);
recurring-ical-events for the days of a rule; icalendar and `ical` as two parsers that share no code.
"""

import re
import uuid
from datetime import UTC, date, datetime, timedelta

import pytest
import recurring_ical_events
import time_machine
from hypothesis import given, settings
from hypothesis import strategies as st
from ical.calendar_stream import IcsCalendarStream
from icalendar import Calendar

from resupply.delivery import calendar
from resupply.delivery.calendar import Stamp
from resupply.delivery.calendar_entries import Entry, Look, entries
from resupply.delivery.calendar_words import Text
from resupply.rules import cleaning
from resupply.rules.cleaning import Checklist, Frequency
from resupply.rules.facts import PatientFacts, Pause
from resupply.rules.kinds import Kind
from resupply.rules.lines import plan_lines
from tests.rules.build import CUSHION, FILTER, HEADGEAR, gave, on, shipped_policy

IDENTITY = uuid.UUID("5f0c7a52-7c58-4a39-9d0e-6f3f5b0a1c11")
CHANGED = datetime(2026, 3, 18, 15, 0, tzinfo=UTC)
FACTS = PatientFacts(
    deliveries=(
        gave(3, CUSHION, "2026-01-31"),
        gave(1, HEADGEAR, "2026-01-31"),
        gave(2, FILTER, "2026-02-28"),
    )
)


def written(shown: tuple[Entry, ...], look: Look = Look()) -> bytes:  # noqa: B008 - frozen
    return calendar.write([(entry, Stamp(2, CHANGED)) for entry in shown], look, identity=IDENTITY)


def feed(look: Look, *, as_of: str = "2026-03-01", pauses: tuple[Pause, ...] = ()) -> bytes:
    """The feed of the invented patient above."""
    facts = PatientFacts(deliveries=FACTS.deliveries, pauses=pauses)
    series = cleaning.checklists(
        held=list(Kind), held_since=on("2026-01-31"), pauses=pauses, choices=(), as_of=on(as_of)
    )
    return written(entries(plan_lines(facts, shipped_policy(), as_of=on(as_of)), series, look), look)


def expanded(data: bytes, start: date, end: date) -> list[date]:
    """All days of a feed in `[start, end)` as recurring-ical-events works them out."""
    found = recurring_ical_events.of(Calendar.from_ical(data)).between(start, end)
    return sorted(event["DTSTART"].dt for event in found)


FIVE_YEARS = (date(2023, 6, 10), date(2028, 6, 10))  # February of 2024 and 2028 has 29 days


@pytest.mark.parametrize("month_day", [1, 15, 27, 28, 29, 30, 31])
@pytest.mark.parametrize("ends_on", [None, "2027-02-28", "2024-03-01"])
@pytest.mark.parametrize("frequency", list(Frequency))
def test_the_days_of_a_series_are_those_of_the_cleaning_rules_for_five_years(
    frequency: Frequency, ends_on: str | None, month_day: int
) -> None:
    start, end = FIVE_YEARS
    weekday = month_day % 7
    checklist = Checklist(frequency, start, on(ends_on) if ends_on else None, ("wash_mask",))
    data = written(entries([], [checklist], Look(weekday=weekday, month_day=month_day)))
    rules = list(cleaning.dates(checklist, weekday=weekday, month_day=month_day, start=start, end=end))
    assert len(rules) >= 8
    assert expanded(data, start, end) == rules
    second = IcsCalendarStream.calendar_from_ics(data.decode())
    timeline = second.timeline_tz(UTC).overlapping(
        datetime.combine(start, datetime.min.time(), UTC), datetime.combine(end, datetime.min.time(), UTC)
    )
    assert [event.dtstart for event in timeline] == rules


def test_the_last_days_of_short_months_are_the_calendars_own() -> None:
    """By hand: the 31st, where a bare BYMONTHDAY=31 would skip five months a year (RFC 5545, 3.3.10)."""
    checklist = Checklist(Frequency.MONTHLY, date(2024, 1, 1), None, ("check_filter",))
    data = written(entries([], [checklist], Look(month_day=31)))
    assert b"RRULE:FREQ=MONTHLY;BYMONTHDAY=28,29,30,31;BYSETPOS=-1\r\n" in data
    days = [day.isoformat()[5:] for day in expanded(data, date(2024, 1, 1), date(2025, 4, 1))]
    assert " ".join(days) == (
        "01-31 02-29 03-31 04-30 05-31 06-30 07-31 08-31 09-30 10-31 11-30 12-31 01-31 02-28 03-31"
    )


def test_a_pause_ends_a_series_and_another_starts_after_it() -> None:
    look = Look(with_changes=False, with_refills=False)
    data = feed(look, as_of="2026-06-01", pauses=(Pause(on("2026-04-10"), on("2026-04-24")),))
    days = expanded(data, on("2026-04-01"), on("2026-05-01"))
    assert not [day for day in days if on("2026-04-10") <= day < on("2026-04-24")]
    assert on("2026-04-09") in days
    assert on("2026-04-24") in days
    assert b"UNTIL=20260409" in data


def test_every_series_starts_on_a_day_of_its_own_rule() -> None:
    """RFC 5545, 3.8.5.3: a DTSTART that the rule does not give has undefined results."""
    for event in Calendar.from_ical(feed(Look(weekday=2, month_day=30))).walk("VEVENT"):
        if "RRULE" in event:
            alone = Calendar.from_ical(feed(Look(weekday=2, month_day=30)))
            start = event["DTSTART"].dt
            same = [e for e in alone.walk("VEVENT") if e["UID"] == event["UID"]]
            alone.subcomponents = same
            after = recurring_ical_events.of(alone).between(start, start + timedelta(days=40))
            assert start in [e["DTSTART"].dt for e in after]
            assert len(after) == len({e["DTSTART"].dt for e in after}) >= 2


LOOKS = [
    Look(language=language, detailed=detailed, alarm_hour=hour, month_day=31)
    for language in ("en", "es")
    for detailed in (False, True)
    for hour in (None, 0, 18)
]
NUMBERS = [str(number) for number in range(len(LOOKS))]  # a set has no order to be named by


@pytest.mark.parametrize("look", LOOKS, ids=NUMBERS)
def test_two_parsers_that_share_no_code_read_the_same(look: Look) -> None:
    data = feed(look)
    first = {
        str(event["UID"]): (
            event["DTSTART"].dt,
            event["DTEND"].dt,
            str(event["SUMMARY"]),
            str(event.get("DESCRIPTION", "")),
            event["SEQUENCE"],
            event["DTSTAMP"].dt,
            event["LAST-MODIFIED"].dt,
            event["RRULE"].to_ical().decode() if "RRULE" in event else None,
            [alarm["TRIGGER"].dt for alarm in event.walk("VALARM")],
        )
        for event in Calendar.from_ical(data).walk("VEVENT")
    }
    second = {
        event.uid: (
            event.dtstart,
            event.dtend,
            event.summary,
            event.description or "",
            event.sequence,
            event.dtstamp,
            event.last_modified,
            event.rrule.as_rrule_str() if event.rrule else None,
            [alarm.trigger for alarm in event.alarm],
        )
        for event in IcsCalendarStream.calendar_from_ics(data.decode()).events
    }
    assert len(first) >= 8
    assert {uid: _rule_as_set(values) for uid, values in first.items()} == {
        uid: _rule_as_set(values) for uid, values in second.items()
    }


def _rule_as_set(values: tuple) -> tuple:  # type: ignore[type-arg]
    """The parts of a rule may come in any order."""
    *others, rule, alarms = values
    return (*others, frozenset(rule.split(";")) if rule else None, alarms)


@pytest.mark.parametrize("look", LOOKS, ids=NUMBERS)
def test_every_entry_is_all_day_private_and_in_nobodys_way(look: Look) -> None:
    found = Calendar.from_ical(feed(look))
    assert found["VERSION"] == "2.0"
    assert found["NAME"] == found["X-WR-CALNAME"]
    for event in found.walk("VEVENT"):
        assert event["DTSTART"].params["VALUE"] == "DATE"
        assert event["DTEND"].dt - event["DTSTART"].dt == timedelta(days=1)
        assert (event["CLASS"], event["TRANSP"]) == ("PRIVATE", "TRANSPARENT")
        assert event["DTSTAMP"].dt == event["LAST-MODIFIED"].dt == CHANGED
        assert re.fullmatch(r"[0-9a-f]{8}-[0-9a-f]{4}-5[0-9a-f]{3}-[0-9a-f]{4}-[0-9a-f]{12}", event["UID"])
        alarms = [alarm["TRIGGER"].dt for alarm in event.walk("VALARM")]
        assert alarms == ([] if look.alarm_hour is None else [timedelta(hours=look.alarm_hour)])
    unfolded = feed(look).decode().replace("\r\n ", "")
    assert "REFRESH-INTERVAL;VALUE=DURATION:PT12H\r\n" in unfolded
    names = {re.split("[;:]", line)[0] for line in unfolded.split("\r\n")}
    assert names.isdisjoint({"METHOD", "SOURCE", "EXDATE", "RDATE", "RECURRENCE-ID", "ATTENDEE", "ORGANIZER"})
    assert "BEGIN:VTODO" not in unfolded


@pytest.mark.parametrize("look", LOOKS, ids=NUMBERS)
def test_lines_end_in_crlf_and_have_at_most_75_octets(look: Look) -> None:
    """RFC 5545, 3.1."""
    data = feed(look)
    assert data.endswith(b"END:VCALENDAR\r\n")
    assert b"\n" not in data.replace(b"\r\n", b"")
    assert b"\r" not in data.replace(b"\r\n", b"")
    lines = data.split(b"\r\n")
    assert max(len(line) for line in lines) <= 75
    for line in lines:
        line.decode()  # no character is cut in two


TELLING = [
    "mask", "cushion", "pillow", "headgear", "strap", "tub", "filter", "chamber", "pap", "sleep", "apnea",
    "clinic", "equipment", "therapy", "clean", "wash", "mascarilla", "almohad", "arn", "correa", "filtro",
    "cámara", "sueño", "clínica", "equipo", "terapia", "limpi", "lave", "parte",
]  # fmt: skip


@pytest.mark.parametrize("language", ["en", "es"])
def test_neutral_words_name_no_part_illness_or_kind_of_clinic(language: str) -> None:
    neutral = feed(Look(language=language)).decode().replace("\r\n ", "").lower()
    assert [word for word in TELLING if word in neutral] == []
    detailed = feed(Look(language=language, detailed=True)).decode().replace("\r\n ", "").lower()
    assert [word for word in TELLING if word in detailed]  # the list would notice


def test_detailed_words_say_what_to_do_and_carry_the_cautions() -> None:
    unfolded = feed(Look(detailed=True, weekday=0)).decode().replace("\r\n ", "").replace("\\,", ",")
    assert "SUMMARY:Change: cushion" in unfolded
    assert "SUMMARY:New one needed: headgear" in unfolded
    assert "Wash before first use (cushion): " in unfolded
    assert "Wash before first use (disposable filter" not in unfolded
    assert "Go on with your therapy as prescribed." in unfolded
    assert "SUMMARY:Weekly cleaning" in unfolded
    assert "Unplug the device and let it cool first." in unfolded
    assert "Do not use an ozone or UV cleaning machine." in unfolded


@pytest.mark.parametrize(
    ("look", "kinds"),
    [
        (Look(with_refills=False, cleaning=frozenset()), {"Change day", "Change day: a new one is needed"}),
        (Look(with_changes=False, cleaning=frozenset()), {"Time to restock"}),
        (Look(with_changes=False, with_refills=False), {"Daily care", "Weekly care", "Monthly care"}),
    ],
)
def test_only_what_was_chosen_is_shown(look: Look, kinds: set[str]) -> None:
    assert {str(event["SUMMARY"]) for event in Calendar.from_ical(feed(look)).walk("VEVENT")} == kinds


def test_the_same_plan_gives_the_same_bytes_on_any_day() -> None:
    with time_machine.travel(datetime(2026, 3, 1, tzinfo=UTC)):
        before = feed(Look())
    with time_machine.travel(datetime(2031, 7, 1, tzinfo=UTC)):
        assert feed(Look()) == before


def test_a_calendar_without_entries_is_valid_and_empty() -> None:
    data = written(())
    assert not Calendar.from_ical(data).walk("VEVENT")
    assert IcsCalendarStream.calendar_from_ics(data.decode()).events == []
    assert b"BEGIN:VTIMEZONE\r\n" in data  # RFC 5545, 3.6: at least one component


@settings(max_examples=150, deadline=None)
@given(summary=st.text(max_size=200), description=st.text(max_size=400))
def test_any_text_comes_back_from_both_parsers_without_control_characters(
    summary: str, description: str
) -> None:
    data = written((Entry("any", date(2026, 1, 1), Text(summary, description)),))
    assert not re.search(rb"[\x00-\x09\x0b\x0c\x0e-\x1f\x7f]", data)
    assert max(len(line) for line in data.split(b"\r\n")) <= 75
    event = Calendar.from_ical(data).walk("VEVENT")[0]
    assert str(event["SUMMARY"]) == calendar.plain(summary)
    assert str(event.get("DESCRIPTION", "")) == calendar.plain(description)


def test_no_text_can_add_a_property_or_an_entry() -> None:
    sly = "x\r\nEND:VEVENT\r\nBEGIN:VEVENT\rUID:evil\nATTACH:http://evil.example/\x0b\x85 END"
    data = written((Entry("any", date(2026, 1, 1), Text(sly, sly)),))
    for found in (
        [str(e["UID"]) for e in Calendar.from_ical(data).walk("VEVENT")],
        [e.uid for e in IcsCalendarStream.calendar_from_ics(data.decode()).events],
    ):
        assert found == [str(calendar.uid(IDENTITY, "any"))]
    assert b"\r\nATTACH" not in data
