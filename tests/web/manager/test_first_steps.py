"""The pages of a clinic's first hour: the steps, locations, payers, mail."""

import re
from typing import Any

import pytest
from django.core import mail
from django.test import Client
from django.urls import reverse

from resupply.models import Location, MailTest, Payer, Role, StepAside
from tests import builders
from tests.builders import NOW
from tests.cast import Cast

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("usual_day")]
STEPS = reverse("manager:first_steps")


@pytest.fixture
def ada(client: Client) -> Client:
    """The only person of an empty clinic."""
    client.force_login(
        builders.make_staff(Role.ADMINISTRATOR, username="ada", email="ada@clinic.example").user
    )
    return client


def seen(client: Client, address: str = "/") -> str:
    return " ".join(client.get(address).content.decode().split())


def test_from_nothing_to_the_first_dispense(ada: Client, settings: Any) -> None:
    """Each page leads on to the next; the first page shows how far it is, until it is put away."""
    settings.EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
    assert "0 of 7 settled" in seen(ada)
    assert reverse("desk:import_columns") in seen(ada, STEPS)
    new = reverse("manager:location_new")
    assert f'<a class="btn btn-primary" href="{new}?next={STEPS}">Add a location</a>' in seen(ada, STEPS)
    sent = {"name": "North room", "time_zone": "America/Denver", "weekdays": ["0", "1"]}
    assert ada.post(f"{new}?next={STEPS}", sent)["Location"] == STEPS
    ada.post(reverse("manager:step_aside", args=["staff"]))
    rules = {"name": "Payer A", "rules": "published", "reevaluation": ""}
    assert ada.post(f"{reverse('manager:payer_new')}?next={STEPS}", rules)["Location"] == STEPS
    item = {"name": "Nasal cushion", "part_code": "A7032", "size": "M", "magnetic": "no", "is_offered": "on"}
    assert ada.post(f"{reverse('manager:item_new')}?next={STEPS}", item)["Location"] == STEPS
    ada.post(reverse("manager:step_aside", args=["list"]))
    page = seen(ada, reverse("manager:mail"))
    assert "Not tested yet." in page
    assert 'value="ada@clinic.example"' in page
    ada.post(reverse("manager:mail"), {"address": "ada@clinic.example"})
    assert [letter.to for letter in mail.outbox] == [["ada@clinic.example"]]
    assert "The message became a file." in seen(ada, reverse("manager:mail"))
    page = seen(ada)
    assert "6 of 7 settled" in page
    assert reverse("desk:patient_new") in page
    builders.make_dispense(builders.make_patient(), recorded_at=NOW)
    assert "Nothing is left to do." in seen(ada)
    assert ada.post(reverse("manager:steps_away"))["Location"] == "/"
    assert "settled" not in seen(ada)
    assert "7 of 7 settled" in seen(ada, STEPS)


def test_a_step_put_aside_says_who_and_is_taken_up_again(ada: Client) -> None:
    ada.post(reverse("manager:step_aside", args=["payers"]))
    assert "not for us</b> <span><time" in seen(ada, STEPS)
    ada.post(reverse("manager:step_up", args=["payers"]))
    assert "Take it up again" not in seen(ada, STEPS)
    assert (
        "Nothing works without this step"
        in ada.post(reverse("manager:step_aside", args=["location"]), follow=True).content.decode()
    )
    assert "Some steps are left" in ada.post(reverse("manager:steps_away"), follow=True).content.decode()
    assert ada.post("/manager/first-steps/nothing/aside/").status_code == 404
    assert StepAside.objects.filter(voided_at=None).count() == 0


def test_who_is_led(cast: Cast, client: Client) -> None:
    """Managers and administrators of a clinic that begins, nobody of one at work. A manager adds no room."""
    pages = {}
    for role in ("desk", "therapist", "manager", "administrator"):
        client.force_login(cast.user(role))
        pages[role] = "First steps" in seen(client)
    assert pages == {"desk": False, "therapist": False, "manager": True, "administrator": True}
    Location.objects.update(closed_on=builders.TODAY)
    client.force_login(cast.manager.user)
    page = seen(client, STEPS)
    assert "An administrator does this." in page
    assert reverse("manager:location_new") not in page
    builders.make_dispense(cast.odalys, recorded_at=builders.NOW.replace(year=2025))
    assert "First steps" not in seen(client)
    page = seen(client, STEPS)
    assert "This clinic is at work." in page
    assert 'aria-current="step"' not in page  # nothing of it is next
    assert re.search(r'data-stay="[^"]+" hidden', page)  # the offer to stay signed in waits for its time


def test_a_location_is_corrected_closed_and_opened_again(cast: Cast, client: Client) -> None:
    client.force_login(cast.administrator.user)
    place = cast.south
    address = reverse("manager:location_edit", args=[place.pk])
    assert client.post(address, {"name": "", "time_zone": ""}).status_code == 422
    client.post(address, {"name": "South room", "time_zone": "America/Denver", "phone": "+1 312 555 0100"})
    page = seen(client, reverse("manager:location", args=[place.pk]))
    assert "America/Chicago</span> → <span" in page
    close = reverse("manager:location_close", args=[place.pk])
    assert "1 patient on therapy belong" in client.post(close).content.decode().replace("belongs", "belong")
    cast.tevin.location = cast.north
    cast.tevin.save()
    assert client.post(close).status_code == 302
    assert "closed on" in seen(client, reverse("manager:locations"))
    offered = client.get(reverse("desk:patient_new")).content.decode()
    assert "South room" not in offered
    assert client.post(close).status_code == 302
    assert "South room" in client.get(reverse("desk:patient_new")).content.decode()


def test_a_payer_of_an_import_takes_over_the_table_until_it_covers_somebody(
    cast: Cast, client: Client
) -> None:
    client.force_login(cast.manager.user)
    fresh = Payer.objects.create(name="Payer Z")
    page = seen(client, reverse("manager:payers"))
    assert reverse("manager:payer_published", args=[fresh.pk]) in page
    assert reverse("manager:payer_published", args=[cast.payer.pk]) not in page
    assert client.post(reverse("manager:payer_published", args=[fresh.pk])).status_code == 302
    assert client.post(reverse("manager:payer_published", args=[cast.payer.pk])).status_code == 422
    assert "Source: DME MAC" in seen(client, reverse("manager:payers"))
    client.post(reverse("manager:payer_edit", args=[fresh.pk]), {"name": "Payer Y"})
    assert Payer.objects.get(pk=fresh.pk).name == "Payer Y"


def test_a_test_of_other_settings_says_nothing_of_these(ada: Client, settings: Any) -> None:
    settings.EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
    assert ada.post(reverse("manager:mail"), {"address": "no address"}).status_code == 422
    assert not MailTest.objects.exists()
    ada.post(reverse("manager:mail"), {"address": "ada@clinic.example"})
    settings.DEFAULT_FROM_EMAIL = "other@clinic.example"
    assert "The settings have changed since the last test." in seen(ada, reverse("manager:mail"))
    assert "ada@clinic.example" not in str(list(MailTest.objects.values()))
