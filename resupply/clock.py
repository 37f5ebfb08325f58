"""The only reader of the wall clock. Doors (views, tasks, commands) ask it and hand the answer on.

Two calendars matter: what was dispensed is dated by the location's time zone, what is due or sent by the
patient's. UTC's date belongs to neither.
"""

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

from resupply.rules.zones import zone_named


def now() -> datetime:
    """Return this moment, aware, in UTC."""
    return datetime.now(UTC)


def today(zone: str | ZoneInfo) -> date:
    """Return the calendar date it is now in `zone` (an IANA name such as "America/Denver"; unknown: UTC)."""
    place = zone_named(zone) if isinstance(zone, str) else zone
    return now().astimezone(place).date()
