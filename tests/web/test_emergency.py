"""Emergency access: one patient of another location, with a reason, for an hour; marked and reviewed."""

from collections.abc import Iterator
from datetime import date, timedelta
from typing import Any

import pytest
import time_machine
from django.db import IntegrityError, transaction
from django.test import Client
from django.urls import reverse

from resupply.models import EmergencyAccess, Event, HistoryContext, PatientRead
from resupply.services import emergency, plans
from resupply.services.errors import Refused
from resupply.web.access import UNDER_EMERGENCY, WHO_MAY
from tests.builders import NOW, make_dispense, make_emergency
from tests.cast import Cast

BEGIN = "/desk/emergency/"
TEVIN = {"named": "Okafor", "birth_date": "1979-11-30", "reason": "here with a broken mask, South is closed"}


@pytest.fixture(autouse=True)
def at_noon(settings: Any) -> Iterator[time_machine.Traveller]:
    settings.SESSION_IDLE_MINUTES = 120  # somebody waits for an hour here
    with time_machine.travel(NOW, tick=False) as clock:
        yield clock


@pytest.fixture
def desk(cast: Cast) -> Client:
    make_dispense(cast.tevin, on=date(2026, 1, 1))
    plans.refresh_plans([cast.tevin.pk], now=NOW)
    client = Client()
    client.force_login(cast.desk.user)
    return client


def page_of(cast: Cast) -> str:
    return reverse("desk:patient", args=[cast.tevin.public_id])


def test_opened_with_a_reason_for_an_hour_marked_and_reported(
    cast: Cast, desk: Client, at_noon: time_machine.Traveller
) -> None:
    page = page_of(cast)
    assert desk.get(page).status_code == 404
    assert desk.post(BEGIN, TEVIN | {"reason": "x"}).status_code == 422
    answer = desk.post(BEGIN, TEVIN)
    assert (answer.status_code, answer["Location"]) == (302, page)
    opened = EmergencyAccess.objects.get()
    assert (opened.user, opened.patient, opened.ends_at - opened.began_at) == (
        cast.desk.user, cast.tevin, timedelta(minutes=60),
    )  # fmt: skip
    assert desk.get(page).status_code == 200
    home = desk.get("/").content.decode()
    assert "Emergency access" in home
    assert "Tevin Okafor" in home
    reads = PatientRead.objects.filter(patients__contains=[cast.tevin.pk]).order_by("pk")
    assert [(row.page, row.emergency) for row in reads] == [("desk:patient", opened.pk)]

    pause = {"on": "2026-03-01", "until": "2026-03-05"}
    assert desk.post(reverse("desk:pause", args=[cast.tevin.public_id]), pause).status_code == 302
    marked = HistoryContext.objects.filter(metadata__emergency=opened.pk)
    assert [context.metadata["user"] for context in marked] == [cast.desk.user.pk]
    assert Event.objects.filter(patient=cast.tevin, recorded_by=cast.desk.user).count() == 1

    at_noon.shift(timedelta(minutes=60))
    assert desk.get(page).status_code == 404
    assert b"Emergency access</strong>" not in desk.get("/").content

    marta = Client()
    marta.force_login(cast.manager.user)
    assert b"1 to review" in marta.get(reverse("manager:rooms")).content
    assert b"here with a broken mask" in marta.get(reverse("manager:emergencies")).content
    report = reverse("manager:emergency", args=[opened.public_id])
    shown = marta.get(report).content.decode()
    assert "Front desk: patient" in shown
    assert "event" in shown
    assert marta.post(report, {"note": ""}).status_code == 422
    assert marta.post(report, {"note": "spoke with the desk"}).status_code == 302
    opened.refresh_from_db()
    assert (opened.reviewed_by, opened.review_note) == (cast.manager.user, "spoke with the desk")
    assert marta.post(report, {"note": "again"}).status_code == 422
    assert b"to review" not in marta.get(reverse("manager:rooms")).content


def test_ended_by_its_button_at_once(cast: Cast, desk: Client, at_noon: time_machine.Traveller) -> None:
    desk.post(BEGIN, TEVIN)
    desk.post(BEGIN, TEVIN)  # a second one while the first lasts opens no other
    opened = EmergencyAccess.objects.get()
    at_noon.shift(timedelta(minutes=5))
    other = Client()
    other.force_login(cast.therapist.user)
    assert other.post(reverse("desk:emergency_end", args=[opened.public_id])).status_code == 404
    assert desk.post(reverse("desk:emergency_end", args=[opened.public_id])).status_code == 302
    assert desk.get(page_of(cast)).status_code == 404
    opened.refresh_from_db()
    assert opened.ended_at == NOW + timedelta(minutes=5)


def test_it_opens_the_care_of_this_one_patient_and_nothing_that_outlasts_it(cast: Cast, desk: Client) -> None:
    """A manager of the North room has one: the pages of managers, of links and of calendars stay closed."""
    cast.manager.locations.set([cast.north])
    make_emergency(cast.tevin, by=cast.manager.user)
    marta = Client()
    marta.force_login(cast.manager.user)
    person = [cast.tevin.public_id]
    dispense = cast.tevin.dispenses.get()
    assert marta.get(page_of(cast)).status_code == 200
    assert marta.get(reverse("desk:slip", args=[dispense.public_id])).status_code == 200
    closed = [
        *(reverse(name, args=person) for name in ("desk:link", "desk:calendar", "desk:own_page")),
        *(reverse(name, args=person) for name in ("manager:disclosures", "stock:back_order_new")),
        reverse("manager:packet_new", args=[dispense.public_id]),
        f"{reverse('manager:history')}?patient={cast.tevin.public_id}",
    ]
    assert {marta.get(address).status_code for address in closed} == {404}
    shown = marta.get(page_of(cast)).content.decode()
    assert reverse("desk:link", args=person) not in shown
    assert reverse("desk:calendar", args=person) not in shown
    assert marta.post(reverse("desk:find"), {"q": "tevin okafor"}).context["results"] == []


def test_the_patient_cannot_be_moved_to_ones_own_location(cast: Cast, desk: Client) -> None:
    desk.post(BEGIN, TEVIN)
    edit = reverse("desk:edit", args=[cast.tevin.public_id])
    shown = desk.get(edit).content.decode()
    assert "South room" in shown
    assert ">North room</option>" not in shown
    assert desk.post(edit, {"location": cast.north.pk}).status_code == 422
    cast.tevin.refresh_from_db()
    assert cast.tevin.location == cast.south


def test_no_permission_of_managers_is_among_those_it_opens() -> None:
    lead = {name for name, roles in WHO_MAY.items() if roles <= {"manager", "administrator"}}
    assert WHO_MAY.keys() >= UNDER_EMERGENCY
    assert not UNDER_EMERGENCY & lead
    assert not [name for name in UNDER_EMERGENCY if name.endswith((".export", ".link", ".calendar"))]


def test_names_are_not_searched_by_it(cast: Cast, desk: Client) -> None:
    """Wrong ones find nobody, and after ten of them nothing is looked for; who sees everybody needs none."""
    assert desk.post(BEGIN, TEVIN | {"birth_date": "1979-11-29"}).status_code == 422
    assert desk.post(BEGIN, TEVIN | {"named": "Oka"}).status_code == 422
    for _ in range(8):
        desk.post(BEGIN, TEVIN | {"named": "nobody"})
    assert b"Too many names" in desk.post(BEGIN, TEVIN).content
    theo = Client()
    theo.force_login(cast.therapist.user)
    assert b"You work at every location" in theo.post(BEGIN, TEVIN).content
    assert not EmergencyAccess.objects.exists()


def test_one_of_ones_own_location_is_opened_without(cast: Cast, desk: Client) -> None:
    own = {"named": "1047", "birth_date": "1961-02-04", "reason": "a reason that is long enough"}
    assert desk.post(BEGIN, own)["Location"] == reverse("desk:patient", args=[cast.odalys.public_id])
    assert not EmergencyAccess.objects.exists()


def test_nobody_reviews_an_access_of_their_own_or_one_that_lasts(cast: Cast) -> None:
    lasting = make_emergency(cast.tevin, by=cast.desk.user)
    own = make_emergency(cast.tevin, by=cast.manager.user, began_at=NOW - timedelta(hours=2), ends_at=NOW)
    marta = Client()
    marta.force_login(cast.manager.user)
    for row in (lasting, own):
        address = reverse("manager:emergency", args=[row.public_id])
        assert marta.post(address, {"note": "fine"}).status_code == 422
    with pytest.raises(IntegrityError), transaction.atomic():
        EmergencyAccess.objects.filter(pk=own.pk).update(
            reviewed_by=cast.manager.user, reviewed_at=NOW, review_note="fine"
        )


def test_a_manager_of_some_locations_sees_those_of_their_patients_and_people(cast: Cast) -> None:
    """Marta of the North room sees what Ines of the North room opened, without the name; not another's."""
    cast.manager.locations.set([cast.north])
    cast.therapist.locations.set([cast.south])
    by_ines = make_emergency(cast.tevin, by=cast.desk.user)
    of_odalys = make_emergency(cast.odalys, by=cast.therapist.user)
    hidden = make_emergency(cast.tevin, by=cast.therapist.user)
    marta = Client()
    marta.force_login(cast.manager.user)
    shown = marta.get(reverse("manager:emergencies")).content.decode()
    assert "Odalys Brandt" in shown
    assert "Tevin" not in shown
    statuses = [
        marta.get(reverse("manager:emergency", args=[row.public_id])).status_code
        for row in (by_ines, of_odalys, hidden)
    ]
    assert statuses == [200, 200, 404]


def test_a_reason_is_kept_whole_or_refused(cast: Cast) -> None:
    with pytest.raises(Refused) as refused:
        emergency.begin(cast.odalys, by=cast.desk.user, reason="x" * 301, now=NOW)
    assert refused.value.code == "reason_long"
    assert (
        emergency.begin(cast.odalys, by=cast.desk.user, reason=f" {'x' * 300} ", now=NOW).reason == "x" * 300
    )
