"""Texts that came in, at the desk; and the yes to texts, which a number has to be able to take."""

from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from resupply.models import Patient
from resupply.services import people
from resupply.services.errors import Refused
from resupply.web import home
from resupply.web.desk import texts
from tests.builders import NOW, TODAY, make_inbound_text, make_patient
from tests.cast import Cast
from tests.services.texting import text_in

pytestmark = pytest.mark.django_db


@pytest.fixture
def desk(cast: Cast, client: Client) -> Client:
    client.force_login(cast.desk.user)
    return client


def page(client: Client, name: str, *args: Any) -> str:
    answer = client.get(reverse(name, args=args))
    assert answer.status_code == 200
    return answer.content.decode()


def test_what_waits_is_on_today_and_on_its_page_until_it_is_seen_to(desk: Client, cast: Cast) -> None:
    assert "that came in" not in page(desk, "home")
    text = make_inbound_text(cast.odalys, body="Call me <b>please</b>")
    assert "1 text that came in needs a person" in page(desk, "home")
    shown = page(desk, "desk:texts")
    assert "Call me &lt;b&gt;please&lt;/b&gt;" in shown
    assert cast.odalys.name in shown
    assert "+1 303 555 0142" in shown  # as on record
    address = reverse("desk:text_handled", args=[text.public_id])
    empty = desk.post(address, {"note": ""})
    assert empty.status_code == 422
    assert "Fill this in." in empty.content.decode()
    assert desk.post(address, {"note": "Called back."}).status_code == 302
    assert "No text waits" in page(desk, "desk:texts")
    assert "Called back." in page(desk, "desk:texts")
    again = desk.post(address, {"note": "Once more"})
    assert again.status_code == 422
    assert "already" in again.content.decode()
    assert 'value="Once more"' in again.content.decode()  # what was typed is still there
    assert "that came in" not in page(desk, "home")


def test_a_stop_that_was_acted_on_says_so_and_a_strangers_says_that_nothing_was(
    desk: Client, cast: Cast
) -> None:
    cast.odalys.phone = "303 555 0142"
    people.update_patient(cast.odalys, people.PatientDetails(**_details(cast.odalys)), now=NOW)
    text_in("stop")
    text_in("stop", number="+13035550199")
    shown = page(desk, "desk:texts")
    assert "texts ended at once" in shown
    assert "Nobody on record" in shown
    assert "nothing was done" in shown


def test_of_those_who_share_a_number_each_room_sees_its_own(desk: Client, cast: Cast) -> None:
    text = make_inbound_text(cast.odalys)
    text.patients.add(make_patient(location=cast.south, given_name="Southern"))
    for shown in (page(desk, "desk:texts"), page(desk, "desk:text_handled", text.public_id)):
        assert cast.odalys.name in shown
        assert "Southern" not in shown
    Patient.objects.filter(pk=cast.odalys.pk).update(status="withdrawn")
    assert cast.odalys.name not in page(desk, "desk:texts")


def test_a_list_or_count_that_is_cut_says_so(
    desk: Client, cast: Cast, monkeypatch: pytest.MonkeyPatch
) -> None:
    for _ in range(3):
        make_inbound_text(cast.odalys, needs_person=False)
        make_inbound_text(cast.odalys)
    assert "the newest" not in page(desk, "desk:texts")
    monkeypatch.setattr(texts, "LISTED", 2)
    assert "These are the newest 2." in page(desk, "desk:texts")
    monkeypatch.setattr(home, "TEXTS", 2)
    assert "2+ texts that came in need a person" in page(desk, "home")


def test_what_leads_to_all_rooms_counts_all_rooms(cast: Cast, client: Client) -> None:
    client.force_login(cast.user("manager"))  # who works everywhere
    make_inbound_text(cast.odalys)
    shown = client.get(reverse("home"), {"location": cast.south.pk}).content.decode()
    assert "1 text that came in needs a person" in shown


def _details(patient: Any) -> dict[str, Any]:
    return {name: getattr(patient, name) for name in people.PatientDetails.__slots__}


def test_as_many_queries_for_one_text_as_for_many(
    desk: Client, cast: Cast, django_assert_max_num_queries: Any
) -> None:
    make_inbound_text(cast.odalys)
    page(desk, "desk:texts")
    with django_assert_max_num_queries(8) as few:
        page(desk, "desk:texts")
    for _ in range(12):
        make_inbound_text(cast.odalys)
    with django_assert_max_num_queries(8) as many:
        page(desk, "desk:texts")
    assert len(few) == len(many)


# --- the yes to texts ---------------------------------------------------------------------------------------


def test_a_yes_to_texts_needs_a_number_that_takes_them(settings: Any) -> None:
    settings.PHONE_REGION = "US"
    said = {"given_on": TODAY, "how": "asked at the desk", "by": None, "now": NOW}
    for phone, words in (
        ("", "no phone number"),
        ("555 0100", "area code"),
        ("+1 800 555 0199", "landline"),
        ("303 555 0100 x7", "extension"),
    ):
        with pytest.raises(Refused, match=words) as refused:
            people.give_consent(make_patient(phone=phone), "text", **said)
        assert refused.value.code == "no_text_number"
    people.withdraw_consent(make_patient(phone=""), "text", **said)  # a no needs no number
    people.give_consent(make_patient(phone=""), "mail", **said)
    assert people.give_consent(make_patient(phone="303 555 0142"), "text", **said).granted


def test_the_form_says_so_and_keeps_what_was_typed(desk: Client, cast: Cast) -> None:
    cast.odalys.phone = "1-800-555-0199"
    cast.odalys.save()
    address = reverse("desk:consent", args=[cast.odalys.public_id])
    how = "on the phone, with her daughter"
    said = {"channel": "text", "granted": "yes", "given_on": TODAY.isoformat(), "how": how, "purpose": ""}
    answer = desk.post(address, said)
    assert answer.status_code == 422
    assert "landline or a service number" in answer.content.decode()
    assert how in answer.content.decode()
    assert not cast.odalys.consents.filter(channel="text").exists()
