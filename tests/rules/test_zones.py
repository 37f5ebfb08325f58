"""Zones: those of the IANA time zone database, and what else a record may name."""

import doctest

from resupply.rules import zones
from resupply.rules.zones import zone_named


def test_examples() -> None:
    assert doctest.testmod(zones).failed == 0


def test_no_name_stops_anybody() -> None:
    names = ["America", "America/New_York\0", "/etc/localtime", "x" * 300, "Mars/Olympus"]
    assert {zone_named(name).key for name in names} == {"UTC"}
