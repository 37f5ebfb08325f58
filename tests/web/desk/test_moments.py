"""Moments are shown as the clocks of the patient's location show them."""

from datetime import UTC, datetime

import pytest
from django.test import Client
from django.urls import reverse

from resupply.models import PatientStatus
from resupply.services import corrections, people
from tests.builders import NOW, make_dispense
from tests.cast import Cast

pytestmark = pytest.mark.django_db


def test_a_void_in_the_evening_is_dated_that_evening(cast: Cast, client: Client) -> None:
    dispense = make_dispense(cast.tevin)  # South room: America/Chicago
    midnight = datetime(2026, 3, 19, 0, 1, tzinfo=UTC)
    corrections.void_dispense(dispense, reason="wrong patient", by=cast.manager.user, now=midnight)
    client.force_login(cast.manager.user)
    page = client.get(reverse("desk:history", args=[cast.tevin.public_id])).content.decode()
    assert ">Wed 18 Mar, 19:01</time>" in page


def test_a_patient_no_longer_on_therapy_is_offered_no_parts(cast: Cast, client: Client) -> None:
    make_dispense(cast.odalys)
    people.change_status(cast.odalys, PatientStatus.DIED, now=NOW)
    client.force_login(cast.manager.user)
    page = client.get(reverse("desk:patient", args=[cast.odalys.public_id])).content.decode()
    assert reverse("desk:dispense", args=[cast.odalys.public_id]) not in page
    assert "overdue" not in page.lower().replace("overdue</a>", "").replace("/overdue/", "")
