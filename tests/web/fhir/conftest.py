"""Records of two rooms, and programs that read them."""

from collections.abc import Callable, Iterator
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import pytest
import time_machine

if TYPE_CHECKING:
    from django.test import Client

    from resupply.models import Patient
    from tests.cast import Cast

Ask = Callable[..., Any]
TOKEN = "a token of a program"  # of builders.make_integration


@pytest.fixture(autouse=True)
def _switched_on(settings: Any) -> Iterator[None]:
    """Sharing is on, and it is the suite's usual day."""
    from tests.builders import NOW  # models can be imported only once the settings are loaded

    settings.FHIR = True
    settings.PUBLIC_URL = "https://clinic.example"
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def records(cast: "Cast") -> "list[Patient]":
    """Odalys of the North room and Tevin moved to the South room, each with one of everything."""
    from resupply.models import Patient
    from tests.builders import TODAY, make_device, make_dispense, make_order, make_question

    Patient.objects.filter(pk=cast.tevin.pk).update(location=cast.south)
    people = [cast.odalys, cast.tevin]
    for person in people:
        make_device(person)
        make_order(person)
        make_dispense(
            person,
            on=TODAY - timedelta(days=40),
            lines=[{"quantity": 2}, {"part_code": "A7037"}],
        )
        make_question(person)
    return people


@pytest.fixture
def ask(client: "Client") -> Ask:
    """`ask("Patient", token)`: the answer to a GET below /fhir/."""

    def get(path: str, token: str = TOKEN, **headers: str) -> Any:
        return client.get(f"/fhir/{path}", headers={"Authorization": f"Bearer {token}"} | headers)

    return get


@pytest.fixture
def north(cast: "Cast") -> str:
    """The token of a program that reads of the North room alone."""
    from tests.builders import make_integration

    make_integration(token="north", name="North only", locations=[cast.north])
    return "north"
