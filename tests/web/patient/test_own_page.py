"""A patient's own page: who gets in, what is shown, what is recorded, and what can be taken back."""

from collections.abc import Iterator
from datetime import date

import pytest
import time_machine
from django.test import Client
from django.urls import reverse

from resupply.models import Patient
from resupply.services import doors, plans
from resupply.services.doors import IssuedLink
from tests.builders import NOW, make_dispense, make_patient

pytestmark = pytest.mark.django_db
BORN = {"month": "2", "day": "4", "year": "1961"}


@pytest.fixture(autouse=True)
def at_noon() -> Iterator[time_machine.Traveller]:
    """2026-03-18, the suite's day, until a test moves on."""
    with time_machine.travel(NOW, tick=False) as clock:
        yield clock


@pytest.fixture
def patient() -> Patient:
    """Two cushions and a chamber since 2026-03-01, tubing long past its date."""
    found = make_patient(given_name="Odalys")
    make_dispense(found, on=date(2026, 3, 1), lines=[{"quantity": 2}, {"part_code": "A7046"}])
    make_dispense(found, on=date(2025, 6, 1), lines=[{"part_code": "A7037"}])
    plans.refresh_plans([found.pk], now=NOW)
    return found


@pytest.fixture
def issued(patient: Patient) -> IssuedLink:
    return doors.issue(patient, by=None, now=NOW)


def at(issued: IssuedLink, name: str = "page", *args: object) -> str:
    return reverse(f"me:{name}", args=[issued.token, *args])


@pytest.fixture
def inside(issued: IssuedLink, client: Client) -> Client:
    """A device on which the date of birth was given."""
    assert client.post(at(issued), BORN).status_code == 302
    return client


def test_the_date_of_birth_opens_the_page_once_a_device(issued: IssuedLink, client: Client) -> None:
    asked = client.get(at(issued))
    assert asked.status_code == 200
    assert "When were you born?" in asked.text
    assert "Odalys" not in asked.text
    opened = client.post(at(issued), BORN)
    assert (opened.status_code, opened["Location"]) == (302, at(issued))
    page = client.get(at(issued))
    assert "Good morning, Odalys" in page.text
    assert "Good morning, Odalys" not in Client().get(at(issued)).text


def test_page_shows_cleaning_coming_parts(inside: Client, issued: IssuedLink) -> None:
    page = inside.get(at(issued)).text
    assert "Wash or wipe the cushion" in page
    assert "Part change: cushion." in page
    assert "Past their date: tubing." in page
    assert "Go on with your therapy as prescribed." in page
