"""A check at the start: the wordings as this clinic sends them stay within two segments."""

from collections.abc import Sequence
from typing import Any

from django.apps import AppConfig
from django.core.checks import CheckMessage, Error

from resupply.delivery.texts.wording import check_wordings

LONGEST_PHONE = "(303) 555-0100 x1234"
"""As long as a location's phone plausibly is."""


def check_texts(*, app_configs: Sequence[AppConfig] | None, **options: Any) -> list[CheckMessage]:
    """An error for each wording that the clinic's name or address makes too long, with what makes it so."""
    hint = "Shorten the name in TEXT_FROM, or the address in PUBLIC_URL."
    return [
        Error(f"The text message “{said}”", hint=hint, id="resupply.E001")
        for said in check_wordings(LONGEST_PHONE)
    ]
