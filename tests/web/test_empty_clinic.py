"""An empty database: every page opens for every role, and says what will appear there."""

import pytest
import time_machine
from django.test import Client
from django.urls import NoReverseMatch, reverse

from resupply.models import Location, Role
from tests import builders
from tests.web.addresses import views
from tests.web.test_access import DRAFTED, LEAD, TABLE

pytestmark = pytest.mark.django_db

# Lists that fill as the clinic works. The others are forms, or show shipped tables from the first day on.
LISTS = {
    *("home", "jobs", "desk:find", "desk:book", "desk:texts", "desk:undelivered", "therapist:work"),
    *(
        "manager:overdue",
        "manager:overdue_mine",
        "manager:overdue_done",
        "manager:missing",
        "manager:recalls",
    ),
    *("manager:packets", "manager:emergencies", "manager:catalogue", "manager:families", "manager:outlook"),
    *("manager:open_days", "manager:locations", "manager:payers", "manager:sharing", "manager:measures"),
    *("stock:shelves", "stock:to_order", "stock:back_orders", "desk:imports", "manager:message_terms"),
}
NO_PAGE = {
    *(
        "login",
        "logout",
        "stay",
        "second_step",
        "passkey_ask",
        "passkey_begin",
        "recovery_codes",
        "kept_form",
    ),
}
"""A POST, or a step of signing in that leads away where nothing waits."""


def addresses() -> dict[str, str]:
    """Of every view that needs no further word."""
    found = {}
    for name in views():
        try:
            found[name] = reverse(name)
        except NoReverseMatch:
            continue
    return found


@pytest.mark.parametrize("role", list(Role), ids=lambda role: role.value)
def test_every_page_opens(role: Role, client: Client) -> None:
    """With one person on the staff and nothing else on record; refused are those the table closes."""
    client.force_login(builders.make_staff(role).user)
    assert not Location.objects.exists()
    wrong, silent = {}, []
    for name, address in addresses().items():
        if name in NO_PAGE or name.startswith(("fhir:", "text_")) or role.value not in TABLE[name]:
            continue
        answer = client.get(address)
        if name in DRAFTED and role.value in LEAD:
            assert answer["Location"].startswith("/manager/policy/"), name
        elif answer.status_code not in (200, 405):  # 405: it takes a form only
            wrong[name] = answer.status_code
        if name in LISTS and b'class="empty"' not in answer.content:
            silent.append(name)
    assert wrong == {}
    assert silent == []


def test_the_lists_are_pages_of_the_table() -> None:
    assert TABLE.keys() >= LISTS


def test_what_needs_a_location_says_so_to_who_adds_one_and_to_others(client: Client) -> None:
    client.force_login(builders.make_staff(Role.ADMINISTRATOR).user)
    page = client.get(reverse("desk:patient_new")).content.decode()
    assert "No location yet" in page
    assert reverse("manager:location_new") in page
    client.force_login(builders.make_staff(Role.DESK).user)
    page = client.get(reverse("stock:receive")).content.decode()
    assert "An administrator adds it" in page
    assert reverse("manager:location_new") not in page


@time_machine.travel(builders.NOW, tick=False)  # 15:00 UTC
def test_moments_are_in_the_zone_of_the_clinics_first_location_else_in_utc_by_name(client: Client) -> None:
    """Of somebody who works everywhere: on pages of the clinic, and on the one about oneself."""
    client.force_login(builders.make_staff(Role.ADMINISTRATOR).user)
    for name in ("people", "your_sign_in"):
        assert "15:00 UTC</time>" in client.get(reverse(name)).content.decode(), name
    builders.make_location(name="A room, closed", time_zone="Asia/Tokyo", closed_on=builders.TODAY)
    builders.make_location(name="North room")  # Denver: 9:00 in March, six hours behind
    for name in ("people", "your_sign_in"):
        page = client.get(reverse(name)).content.decode()
        assert "09:00</time>" in page, name
        assert "UTC</time>" not in page, name
