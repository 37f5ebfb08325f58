"""Addresses with a token lead where the pages are, in full."""

from typing import Any

from django.urls import reverse

from resupply.delivery import addresses

TOKEN = "Zm9vYmFyLXRva2Vu-_x"  # URL-safe base64 (RFC 4648), as tokens are made


def test_each_is_where_its_page_is(settings: Any) -> None:
    settings.PUBLIC_URL = "https://supplies.clinic.example"
    for made, name in (
        (addresses.question, "ask:question"),
        (addresses.own_page, "me:page"),
        (addresses.way_out, "stop"),
        (addresses.calendar, "feed:calendar"),
    ):
        assert made(TOKEN) == f"https://supplies.clinic.example{reverse(name, args=[TOKEN])}"
        assert made("") == ""
