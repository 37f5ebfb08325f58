"""The bytes of a patient's calendar feed (RFC 5545, with NAME and REFRESH-INTERVAL of RFC 7986).

Every entry is all day, transparent and private. Its UID is made from the calendar's identity and the entry's
key: no host, no name. DTSTAMP and LAST-MODIFIED are the moment the entry last changed, never the moment of
writing, so that the same entries give the same bytes. Series have a plain RRULE and nothing that clients
disagree on. Lines end in CRLF and are folded at 75 octets by the library; control characters are stripped
here.

Edge cases: a calendar must hold one component (RFC 5545, 3.6), so one without entries carries the definition
of UTC. A monthly day past the 28th is the last of those days that the month has: the 30th, or the last day of
February, is `BYMONTHDAY=28,29,30;BYSETPOS=-1`.
"""

import unicodedata
import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from icalendar import Alarm, Calendar, Event, Timezone, TimezoneStandard

from resupply.delivery.calendar_entries import Entry, Look, Repeat
from resupply.delivery.calendar_words import calendar_name
from resupply.rules.cleaning import Frequency

PRODUCT = "-//Evenkeep//Calendar//EN"
REFRESH = timedelta(hours=12)
DAYS = ("MO", "TU", "WE", "TH", "FR", "SA", "SU")


@dataclass(frozen=True, slots=True)
class Stamp:
    """How often an entry has changed, and when it last did (aware, whole seconds)."""

    sequence: int
    changed_at: datetime


def write(entries: Sequence[tuple[Entry, Stamp]], look: Look, *, identity: uuid.UUID) -> bytes:
    """The feed. The same arguments give the same bytes, on any day and any machine."""
    calendar = Calendar()
    calendar.add("prodid", PRODUCT)
    calendar.add("version", "2.0")
    name = plain(calendar_name(look.language, detailed=look.detailed))
    calendar.add("name", name)
    calendar.add("x-wr-calname", name)
    calendar.add("refresh-interval", REFRESH, parameters={"VALUE": "DURATION"})
    calendar.add("x-published-ttl", "PT12H")
    for entry, stamp in entries:
        calendar.add_component(_event(entry, stamp, identity))
    if not entries:
        calendar.add_component(_utc())
    data: bytes = calendar.to_ical()
    return data


def uid(identity: uuid.UUID, key: str) -> uuid.UUID:
    """The entry's UID: stable for a calendar and a key, and saying nothing about either."""
    return uuid.uuid5(identity, key)


def rule(repeat: Repeat, first: date) -> dict[str, list[str | int | date]]:
    """The RRULE of a series whose first day is `first`; UNTIL is a DATE, as DTSTART is."""
    parts: dict[str, list[str | int | date]] = {"FREQ": [repeat.frequency.value.upper()]}
    if repeat.frequency is Frequency.WEEKLY:
        parts["BYDAY"] = [DAYS[first.weekday()]]
    if repeat.month_day is not None:
        parts["BYMONTHDAY"] = list(range(min(28, repeat.month_day), repeat.month_day + 1))
    if repeat.month_day is not None and repeat.month_day > 28:
        parts["BYSETPOS"] = [-1]
    if repeat.until is not None:
        parts["UNTIL"] = [repeat.until]
    return parts


def plain(text: str) -> str:
    """Text without control characters and lone surrogates; line breaks stay, as one `\\n`.

    >>> plain("a\\x00b\\r\\nc\\x85d")
    'ab\\ncd'
    """
    lines = text.replace("\r\n", "\n").replace("\r", "\n")
    return "".join(c for c in lines if c == "\n" or unicodedata.category(c) not in ("Cc", "Cs"))


def _event(entry: Entry, stamp: Stamp, identity: uuid.UUID) -> Event:
    event = Event()
    event.add("uid", str(uid(identity, entry.key)))
    event.add("dtstamp", stamp.changed_at)
    event.add("last-modified", stamp.changed_at)
    event.add("sequence", stamp.sequence)
    event.add("dtstart", entry.on)
    event.add("dtend", entry.on + timedelta(days=1))
    event.add("summary", plain(entry.text.summary))
    if entry.text.description:
        event.add("description", plain(entry.text.description))
    event.add("class", "PRIVATE")
    event.add("transp", "TRANSPARENT")
    if entry.repeat is not None:
        event.add("rrule", rule(entry.repeat, entry.on))
    if entry.alarm_hour is not None:
        alarm = Alarm()
        alarm.add("action", "DISPLAY")
        alarm.add("description", plain(entry.text.summary))
        alarm.add("trigger", timedelta(hours=entry.alarm_hour))
        event.add_component(alarm)
    return event


def _utc() -> Timezone:
    zone = Timezone()
    zone.add("tzid", "Etc/UTC")
    standard = TimezoneStandard()
    standard.add("dtstart", datetime(1970, 1, 1))  # noqa: DTZ001 - local time of the zone it defines
    standard.add("tzoffsetfrom", timedelta(0))
    standard.add("tzoffsetto", timedelta(0))
    zone.add_component(standard)
    return zone
