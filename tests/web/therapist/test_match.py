"""The match on screen: answers change the order in place, and only saving records it."""

import re

import pytest
from django.urls import reverse

from resupply.models import MatchRecord
from tests.builders import make_device, make_match

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("usual_day")]


def address(person):
    return reverse("therapist:match", args=[person.public_id])


def order_in(response):
    return [style.name for style in response.context["view"].styles]


def test_the_order_follows_the_answers_without_recording(cast, therapist):
    page = therapist.get(address(cast.odalys))
    assert order_in(page)[0] == "Nasal pillows"
    look = therapist.post(
        address(cast.odalys), {"q_congestion": "chronic", "look": "1"}, headers={"HX-Request": "true"}
    )
    assert order_in(look)[0] == "Full face mask"
    assert "Check AHI and pressure again after the switch" in look.content.decode()
    assert b"<html" not in look.content
    assert not MatchRecord.objects.exists()


def test_saved_it_is_on_the_page_of_fittings_and_fills_the_next_match(cast, therapist):
    sent = {
        "q_congestion": "none", "q_positions": ["side", "front"], "q_pressure": "12.5", "style": "nasal",
        "note": "likes a frame", "answered_on": "2026-03-18", "save": "1",
    }  # fmt: skip
    answer = therapist.post(address(cast.odalys), sent, follow=True)
    assert "nasal mask chosen" in answer.content.decode()
    assert "likes a frame" in answer.content.decode()
    kept = MatchRecord.objects.get()
    assert kept.answers == {"congestion": ["none"], "positions": ["front", "side"], "pressure": ["12.5"]}
    form = therapist.get(address(cast.odalys)).context["form"]
    assert form["q_positions"].value() == ["front", "side"]
    assert form["q_pressure"].value() == "12.5"


def test_the_pressure_on_record_is_filled_in_first(cast, therapist):
    make_device(cast.odalys, pressure_low=6, pressure_high=14)
    assert therapist.get(address(cast.odalys)).context["form"]["q_pressure"].value() == 14


@pytest.mark.parametrize(
    ("sent", "says"),
    [
        ({"q_pressure": "3"}, "Enter 4 or more."),
        ({"q_therapy": "ventilation", "style": "nasal"}, "refer the patient"),
        ({"answered_on": "2026-03-19"}, "has not come yet"),
        ({"answered_on": ""}, "Enter a date."),
    ],
)
def test_what_is_refused_keeps_what_was_answered(cast, therapist, sent, says):
    data = {"q_congestion": "chronic", "note": "kept", "answered_on": "2026-03-18", "save": "1"} | sent
    answer = therapist.post(address(cast.odalys), data)
    assert answer.status_code == 422
    text = answer.content.decode()
    assert says in text
    assert "kept" in text
    assert answer.context["form"]["q_congestion"].value() == "chronic"
    assert not MatchRecord.objects.exists()


def test_home_ventilation_shows_a_referral_and_no_ranks(cast, therapist):
    look = therapist.post(address(cast.odalys), {"q_therapy": "ventilation", "look": "1"})
    text = look.content.decode()
    assert "Refer to the prescriber" in text
    assert re.search(
        r"</strong> .*<small>(from memory|published|common practice)", text
    )  # how far it was read
    assert "styles-unordered" in text


def test_voided_with_a_reason_it_stays_in_sight(cast, therapist):
    kept = make_match(cast.odalys, style="nasal")
    page = reverse("therapist:match_void", args=[kept.public_id])
    assert therapist.post(page, {"reason": ""}).status_code == 422
    answer = therapist.post(page, {"reason": "another patient"}, follow=True)
    assert "another patient" in answer.content.decode()
