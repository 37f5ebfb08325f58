"""Deliveries at the desk: the next one on the patient's page, the steps behind it, and the year ahead."""

from datetime import date, timedelta

import pytest
from django.test import Client
from django.urls import reverse

from resupply.models import Patient
from resupply.services import plans
from resupply.services.standing import settle
from tests.builders import NOW, make_answer, make_closed_day, make_dispense, make_event
from tests.cast import Cast
from tests.web.pages import text

pytestmark = pytest.mark.usefixtures("usual_day")


@pytest.fixture
def odalys(cast: Cast) -> Patient:
    """Cushion until Saturday 28 March, mask until 1 April (to go out from 22 March): the patient pays."""
    make_dispense(cast.odalys, on=date(2026, 2, 28), lines=[{"part_code": "A7032"}])
    make_dispense(cast.odalys, on=date(2026, 1, 1), lines=[{"part_code": "A7034"}])
    plans.refresh_plans([cast.odalys.pk], now=NOW)
    return cast.odalys


def page(client: Client, person: Patient, **headers: str) -> str:
    return text(client.get(reverse("desk:deliveries", args=[person.public_id]), headers=headers))


def test_the_next_delivery_is_the_last_open_day_that_serves_the_first_to_run_out(
    cast: Cast, ines: Client, odalys: Patient
) -> None:
    address = reverse("desk:patient", args=[odalys.public_id])
    assert "Next delivery Fri 27 Mar : mask, cushion why?" in text(ines.get(address))
    make_closed_day(cast.north, day=date(2026, 3, 27))
    make_closed_day(cast.south, day=date(2026, 3, 26))
    assert "Next delivery Thu 26 Mar : mask, cushion why?" in text(ines.get(address))
    steps = page(ines, odalys, **{"HX-Request": "true"})
    assert "The last open day up to Sat 28 Mar Thu 26 Mar" in steps


def test_a_year_in_few_deliveries(ines: Client, odalys: Patient) -> None:
    """Three cushions and a mask every three months: they go together, four times a year."""
    said = page(ines, odalys)
    assert "4 deliveries serve 8 refills in the next 12 months" in said
    assert "Fri 27 Mar Mask 1 Sun 22 Mar Wed 1 Apr" in said
    assert "Cushion 3 Wed 18 Mar Sat 28 Mar" in said


def test_what_the_patient_said_yes_to_may_go_out_today(ines: Client, odalys: Patient) -> None:
    make_dispense(odalys, on=date(2026, 1, 10), lines=[{"part_code": "A7038"}])
    plans.refresh_plans([odalys.pk], now=NOW)
    address = reverse("desk:patient", args=[odalys.public_id])
    assert "Next delivery Wed 25 Mar late : mask, cushion" in text(ines.get(address))
    assert "Wed 18 Mar and 7 days more Wed 25 Mar" in page(ines, odalys)
    make_answer(odalys, items=[{"kind": "filter_disposable", "part_code": "A7038"}])
    for number in range(4):  # more answers about another part than the page shows
        no = [{"kind": "mask", "part_code": "A7034", "wanted": False, "need": ""}]
        make_answer(odalys, wish="not_now", answered_at=NOW + timedelta(minutes=number), items=no)
    settle([odalys.pk])
    assert "Next delivery Wed 18 Mar late : disposable filter why?" in text(ines.get(address))
    assert "Wed 18 Mar Disposable filter" in page(ines, odalys)


def test_nothing_is_foreseen_in_a_pause_without_an_end(ines: Client, odalys: Patient) -> None:
    make_event(odalys, "pause", on=date(2026, 3, 10))
    plans.refresh_plans([odalys.pk], now=NOW)
    assert "Next delivery" not in text(ines.get(reverse("desk:patient", args=[odalys.public_id])))
    assert "No delivery can be foreseen." in page(ines, odalys)
