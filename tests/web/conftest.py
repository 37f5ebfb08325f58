"""What tests of pages share: the usual day, and the cast signed in.

Models can be imported only once the settings are loaded, so fixtures import what they need.
"""

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

import pytest
import time_machine
from django.test import Client

if TYPE_CHECKING:
    from tests.cast import Cast


@pytest.fixture
def usual_day() -> Iterator[None]:
    """It is 2026-03-18, 15:00 UTC: morning in both rooms. The clock stands."""
    from tests.builders import NOW

    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def signed_in(cast: "Cast") -> Callable[[str], Client]:
    """Somebody of the cast, signed in: a browser of their own each."""

    def browser(who: str) -> Client:
        client = Client()
        client.force_login(cast.user(who))
        return client

    return browser


@pytest.fixture
def ines(signed_in: Callable[[str], Client]) -> Client:
    """Ines at the desk of the North room."""
    return signed_in("desk")


@pytest.fixture
def marta(signed_in: Callable[[str], Client]) -> Client:
    """Marta, the manager, who works everywhere."""
    return signed_in("manager")


@pytest.fixture
def therapist(signed_in: Callable[[str], Client]) -> Client:
    """The therapist, who works everywhere."""
    return signed_in("therapist")
