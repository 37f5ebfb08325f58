"""Open days on screen: weekdays, a day off at several locations, and open after all."""

from datetime import date

import pytest
from django.test import Client
from django.urls import reverse

from resupply.models import ClosedDay
from tests.builders import make_closed_day
from tests.cast import Cast
from tests.web.pages import text

pytestmark = pytest.mark.usefixtures("usual_day")


def page(client: Client) -> str:
    return text(client.get(reverse("manager:open_days")))


def test_a_manager_says_when_parts_go_out(cast: Cast, marta: Client) -> None:
    assert "North room Monday to Friday change" in page(marta)
    address = reverse("manager:weekdays", args=[cast.north.pk])
    assert marta.post(address).status_code == 422
    assert marta.post(address, {"weekdays": ["5", "0", "2"]}).status_code == 302
    said = page(marta)
    assert "North room is open Monday, Wednesday, Saturday." in said
    assert "South room Monday to Friday change" in said


def test_a_day_off_at_all_locations_and_open_after_all_at_one(cast: Cast, marta: Client) -> None:
    places = [str(cast.north.pk), str(cast.south.pk)]
    sent = {"day": "2026-05-25", "reason": "Memorial Day", "locations": places}
    assert marta.post(reverse("manager:day_off"), sent).status_code == 302
    assert page(marta).count("Mon 25 May , Memorial Day open after all") == 2
    assert "Nobody gives parts on Mon 25 May 2026 as it is." in text(
        marta.post(reverse("manager:day_off"), sent)
    )
    first = ClosedDay.objects.get(location=cast.north)
    assert marta.post(reverse("manager:open_again", args=[first.public_id]), {"reason": "We work."})
    said = page(marta)
    assert "North room is open on Mon 25 May." in said
    assert said.count("Memorial Day") == 1


def test_locations_of_others_are_not_found(cast: Cast, marta: Client) -> None:
    cast.manager.locations.set([cast.north])
    closed = make_closed_day(cast.south, day=date(2026, 5, 25))
    assert "South room" not in page(marta)
    assert marta.get(reverse("manager:weekdays", args=[cast.south.pk])).status_code == 404
    assert marta.get(reverse("manager:open_again", args=[closed.public_id])).status_code == 404
    sent = {"day": "2026-06-25", "reason": "Training", "locations": [str(cast.south.pk)]}
    assert marta.post(reverse("manager:day_off"), sent).status_code == 422
