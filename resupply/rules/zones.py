"""Zones by name: one that this machine does not know counts as UTC.

A zone may leave the IANA time zone database, or an older copy of it may lie on the machine: one such patient
must not stop everybody's sweep, nor the patient's own page.

>>> zone_named("America/Denver").key
'America/Denver'
>>> zone_named("Nowhere/At-all").key, zone_named("").key, zone_named("../etc/passwd").key
('UTC', 'UTC', 'UTC')
"""

from zoneinfo import ZoneInfo


def zone_named(name: str) -> ZoneInfo:
    """A zone of the IANA time zone database by its name."""
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError):  # unknown; no name at all; a folder of the database
        return ZoneInfo("UTC")
