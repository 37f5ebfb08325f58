"""A patient's own page: the calendar, its link and its choices."""

import pytest
from django.test import Client

from resupply.models import (
    Location,
    Patient,
    Subscription,
)
from resupply.services import feeds
from resupply.services.doors import IssuedLink
from resupply.services.feeds import Options
from resupply.web.patient.forms import CALENDAR_CHOICES
from tests.builders import (
    NOW,
    make_patient,
)
from tests.web.patient.own import at, without_help

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_noon")]


CHOSEN = {"with_changes": "on", "with_daily": "on", "detailed": "no", "alarm_hour": "8"}


def fetched(client: Client, address: str) -> int:
    """The status of a calendar's address as it is shown: the whole of it."""
    return client.get(address.removeprefix("http://127.0.0.1:8000")).status_code


def test_a_calendar_link_is_made_shown_once_and_read(
    inside: Client, issued: IssuedLink, patient: Patient
) -> None:
    start = without_help(inside.get(at(issued, "calendar")).text)
    assert start.index("stores what it fetches") < start.index("Make a calendar link")
    made = inside.post(at(issued, "calendar"), CHOSEN)
    address = made.context["address"]
    order = [made.text.index(one) for one in (f'readonly value="{address}"', 'href="webcal://', 'class="qr"')]
    assert order == sorted(order)
    row = Subscription.objects.get()
    assert feeds.options_of(row) == Options(
        with_refills=False, with_weekly=False, with_monthly=False, alarm_hour=8
    )
    assert row.created_by is None
    page = inside.get(at(issued, "calendar")).text
    assert address not in page
    assert "Part changes · Daily cleaning · Alarm at 8 am" in page
    assert "not read yet" in page
    assert "Not read yet." in inside.get(at(issued)).text
    assert fetched(inside, address) == 200
    assert "last read Wednesday 18 March" in inside.get(at(issued, "calendar")).text
    assert "Last read Wednesday 18 March." in inside.get(at(issued)).text


def test_in_spanish_the_scripts_words_are_spanish_too(
    inside: Client, issued: IssuedLink, patient: Patient
) -> None:
    inside.post(at(issued, "language"), {"language": "es"})
    made = inside.post(at(issued, "calendar"), CHOSEN).text
    assert 'data-copied="Copiado" data-by-hand="Pulse Ctrl+C"' in made
    assert "Impreso <span data-printed>" in made


def test_a_phone_number_is_called_without_its_blanks(
    inside: Client, issued: IssuedLink, patient: Patient
) -> None:
    """RFC 3966, 3: blanks are no part of a telephone number in an address."""
    Location.objects.update(phone="+1 303 555 0100")
    assert 'href="tel:+13035550100">+1 303 555 0100<' in inside.get(at(issued)).text


def test_a_calendar_is_changed_at_the_same_address(inside: Client, issued: IssuedLink) -> None:
    made = inside.post(at(issued, "calendar"), CHOSEN).context["address"]
    row = Subscription.objects.get()
    before = inside.get(made.removeprefix("http://127.0.0.1:8000")).text
    change = at(issued, "calendar_change", row.public_id)
    form = inside.get(change).context["form"]
    assert {name for name in CALENDAR_CHOICES if form[name].value()} == {"with_changes", "with_daily"}
    assert (form["detailed"].value(), form["alarm_hour"].value()) == ("no", 8)
    done = inside.post(change, {"with_monthly": "on", "detailed": "yes", "alarm_hour": ""})
    assert "Saved." in done.text
    row.refresh_from_db()
    assert (row.with_changes, row.with_daily, row.with_monthly, row.detailed) == (False, False, True, True)
    assert row.alarm_hour is None
    after = inside.get(made.removeprefix("http://127.0.0.1:8000")).text
    assert ("Daily care" in before, "BEGIN:VALARM" in before) == (True, True)
    assert ("Daily" in after, "Monthly cleaning" in after, "VALARM" in after) == (False, True, False)
    nothing = inside.post(change, {"detailed": "no"})
    assert (nothing.status_code, "Choose at least one thing to show." in nothing.text) == (422, True)


def test_a_calendar_is_renewed_and_ended(inside: Client, issued: IssuedLink, patient: Patient) -> None:
    first = inside.post(at(issued, "calendar"), CHOSEN).context["address"]
    row = Subscription.objects.get()
    second = inside.post(at(issued, "calendar_change", row.public_id), {"renew": "1"}).context["address"]
    assert [fetched(inside, one) for one in (first, second)] == [410, 200]
    assert inside.get(at(issued, "calendar_change", row.public_id))["Location"] == at(issued, "calendar")
    theirs = feeds.subscribe(make_patient(), Options(), by=None, now=NOW).subscription
    for mine in (theirs, Subscription.objects.get(patient=patient, revoked_at=None)):
        inside.post(at(issued, "calendar_change", mine.public_id), {"end": "1"})
    theirs.refresh_from_db()
    assert theirs.revoked_at is None
    assert fetched(inside, second) == 410
    assert "Links in use" not in inside.get(at(issued, "calendar")).text


def test_a_calendar_of_nothing_and_one_too_many_are_refused(inside: Client, issued: IssuedLink) -> None:
    nothing = inside.post(at(issued, "calendar"), {"detailed": "no"})
    assert (nothing.status_code, "Choose at least one thing to show." in nothing.text) == (422, True)
    statuses = [inside.post(at(issued, "calendar"), CHOSEN).status_code for _ in range(6)]
    assert statuses == [200] * 5 + [422]
    assert Subscription.objects.count() == 5
