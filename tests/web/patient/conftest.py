"""A patient, the link to the own page, and a device inside; shared by the tests of own pages.

What reads models is imported within: these can be imported only once the settings are loaded.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import TYPE_CHECKING

import pytest
import time_machine

if TYPE_CHECKING:
    from django.test import Client

    from resupply.models import Patient
    from resupply.services.doors import IssuedLink


@pytest.fixture
def at_noon() -> Iterator[time_machine.Traveller]:
    """2026-03-18, the suite's day, until a test moves on."""
    from tests.builders import NOW

    with time_machine.travel(NOW, tick=False) as clock:
        yield clock


@pytest.fixture
def patient() -> Patient:
    """Two cushions and a chamber since 2026-03-01, tubing long past its date."""
    from resupply.services import plans
    from tests.builders import NOW, make_dispense, make_patient

    found = make_patient(given_name="Odalys")
    make_dispense(found, on=date(2026, 3, 1), lines=[{"quantity": 2}, {"part_code": "A7046"}])
    make_dispense(found, on=date(2025, 6, 1), lines=[{"part_code": "A7037"}])
    plans.refresh_plans([found.pk], now=NOW)
    return found


@pytest.fixture
def issued(patient: Patient) -> IssuedLink:
    from resupply.services import doors
    from tests.builders import NOW

    return doors.issue(patient, by=None, now=NOW)


@pytest.fixture
def inside(issued: IssuedLink, client: Client) -> Client:
    """A device on which the date of birth was given."""
    from tests.web.patient.own import BORN, at

    assert client.post(at(issued), BORN).status_code == 302
    return client
