"""The desk gives out, renews and revokes a patient's calendar address."""

import re

import pytest
import time_machine
from django.test import Client
from django.urls import reverse

from resupply.models import Subscription
from resupply.services import feeds
from resupply.services.feeds import Options
from tests.builders import NOW
from tests.cast import Cast

pytestmark = pytest.mark.django_db

CHOICES = {"with_changes": "on", "with_daily": "on", "wording": "neutral", "alarm_hour": "", "label": ""}


@pytest.fixture
def desk(client: Client, cast: Cast) -> Client:
    """Signed in at the front desk of the North room."""
    client.force_login(cast.user("desk"))
    return client


def page_of(cast: Cast) -> str:
    return reverse("desk:calendar", args=[cast.odalys.public_id])


def address_on(page: str) -> str:
    """The path of the address that a page shows."""
    found = re.search(r'readonly value="http://127\.0\.0\.1:8000(/cal/[^"]+\.ics)"', page)
    assert found
    return found[1]


def test_an_address_is_shown_once_and_works(desk: Client, cast: Cast) -> None:
    answer = desk.post(page_of(cast), CHOICES)
    page = answer.content.decode()
    address = address_on(page)
    assert answer.status_code == 200
    assert answer["Cache-Control"] == "no-store"
    assert answer["Referrer-Policy"] == "same-origin"  # the secret is in no path, and its forms still work
    assert desk.get(address).status_code == 200
    token = address.removeprefix("/cal/").removesuffix(".ics")
    assert token not in desk.get(page_of(cast)).content.decode()
    assert token not in repr(Subscription.objects.values().get())


def test_warnings_come_first_then_https_then_webcal_then_the_code(desk: Client, cast: Cast) -> None:
    page = desk.post(page_of(cast), CHOICES).content.decode()
    order = [
        page.index("calendar providers store what they fetch"),
        page.index('readonly value="http'),
        page.index('href="webcal://127.0.0.1:8000/cal/'),
        page.index('class="qr"'),
    ]
    assert order == sorted(order)
    assert " style=" not in page
    assert "<style" not in page
    start = desk.get(page_of(cast)).content.decode()
    assert start.index("There is no password") < start.index("Make the calendar")


def test_choices_are_kept(desk: Client, cast: Cast) -> None:
    desk.post(
        page_of(cast),
        {"with_refills": "on", "wording": "detailed", "alarm_hour": "7", "label": " tablet "},
    )
    row = Subscription.objects.get()
    assert feeds.options_of(row) == Options("tablet", True, False, True, False, False, False, 7)
    assert row.created_by == cast.user("desk")
    page = desk.get(page_of(cast)).content.decode()
    for words in ("tablet", "when to think about new parts", "detailed", "07:00", "never"):
        assert words in page


@pytest.mark.parametrize(
    ("over", "words"),
    [
        ({"with_changes": "", "with_daily": ""}, "Choose at least one thing"),
        ({"alarm_hour": "24"}, "is not offered here"),
        ({"wording": "loud"}, "is not offered here"),
        ({"label": "x" * 61}, "Keep this to 60 characters"),
    ],
)
def test_a_form_that_makes_no_calendar_says_why_and_writes_nothing(
    desk: Client, cast: Cast, over: dict[str, str], words: str
) -> None:
    page = desk.post(page_of(cast), {k: v for k, v in (CHOICES | over).items() if v}).content.decode()
    assert words in page
    assert not Subscription.objects.exists()


def test_a_calendar_is_changed_at_its_address(desk: Client, cast: Cast) -> None:
    issued = issue(cast)
    address = reverse("desk:calendar_change", args=[issued.subscription.public_id])
    form = desk.get(address).context["form"]
    assert (form["label"].value(), form["wording"].value(), form["alarm_hour"].value()) == (
        "tablet", "neutral", "",
    )  # fmt: skip
    sent = {"with_monthly": "on", "wording": "detailed", "alarm_hour": "20", "label": "pad"}
    page = desk.post(address, sent)
    assert page["Location"] == page_of(cast)
    assert "The calendar “tablet” is changed." in desk.get(page_of(cast)).text
    row = Subscription.objects.get()
    assert feeds.options_of(row) == Options("pad", True, False, False, False, False, True, 20)
    assert desk.get(f"/cal/{issued.token}.ics").status_code == 200
    assert "Choose at least one thing" in desk.post(address, {"wording": "neutral"}).text
    feeds.revoke(row, by=None, now=NOW)
    assert "has been revoked already" in desk.post(address, CHOICES).text


def issue(cast: Cast) -> feeds.Issued:
    return feeds.subscribe(cast.odalys, Options(label="tablet"), by=None, now=NOW)


@pytest.mark.parametrize("name", ["desk:calendar_renew", "desk:calendar_revoke"])
def test_looking_at_the_confirmation_changes_nothing_and_names_the_calendar(
    desk: Client, cast: Cast, name: str
) -> None:
    issued = issue(cast)
    page = desk.get(reverse(name, args=[issued.subscription.public_id])).content.decode()
    assert "“tablet”" in page
    assert "for good" in page
    assert desk.get(f"/cal/{issued.token}.ics").status_code == 200


def test_renewing_ends_the_old_address_and_shows_the_new_one(desk: Client, cast: Cast) -> None:
    issued = issue(cast)
    answer = desk.post(reverse("desk:calendar_renew", args=[issued.subscription.public_id]))
    assert desk.get(f"/cal/{issued.token}.ics").status_code == 410
    assert desk.get(address_on(answer.content.decode())).status_code == 200
    assert answer["Cache-Control"] == "no-store"


def test_revoking_ends_the_address_and_says_so(desk: Client, cast: Cast) -> None:
    issued = issue(cast)
    address = reverse("desk:calendar_revoke", args=[issued.subscription.public_id])
    page = desk.post(address, follow=True).content.decode()
    assert "“tablet” is revoked" in page
    assert "1 ended address" in page
    assert desk.get(f"/cal/{issued.token}.ics").status_code == 410
    assert Subscription.objects.get().revoked_by == cast.user("desk")
    assert "No calendar is in use." in desk.get(page_of(cast)).text
    assert "has been revoked already" in desk.post(address).content.decode()


def test_the_page_says_when_the_calendar_was_last_fetched(desk: Client, cast: Cast) -> None:
    issued = issue(cast)
    with time_machine.travel(NOW, tick=False):  # 15:00 UTC is 09:00 in Denver, where the room is
        desk.get(f"/cal/{issued.token}.ics")
        assert "18 Mar, 09:00" in desk.get(page_of(cast)).content.decode()


def test_a_patient_of_another_room_is_not_found(desk: Client, cast: Cast) -> None:
    theirs = feeds.subscribe(cast.tevin, Options(), by=None, now=NOW).subscription
    for address in (
        reverse("desk:calendar", args=[cast.tevin.public_id]),
        reverse("desk:calendar_change", args=[theirs.public_id]),
        reverse("desk:calendar_renew", args=[theirs.public_id]),
        reverse("desk:calendar_revoke", args=[theirs.public_id]),
    ):
        assert desk.get(address).status_code == 404
        assert desk.post(address, CHOICES).status_code == 404
    assert Subscription.objects.get().revoked_at is None


def test_who_may_not(client: Client, cast: Cast) -> None:
    issued = issue(cast)
    addresses = [
        page_of(cast),
        reverse("desk:calendar_change", args=[issued.subscription.public_id]),
        reverse("desk:calendar_renew", args=[issued.subscription.public_id]),
        reverse("desk:calendar_revoke", args=[issued.subscription.public_id]),
    ]
    for address in addresses:
        assert client.post(address, CHOICES).status_code == 302  # to the sign-in page
    client.force_login(cast.outsider)
    for address in addresses:
        assert client.get(address).status_code == 403
        assert client.post(address, CHOICES).status_code == 403
    assert Subscription.objects.get().revoked_at is None
