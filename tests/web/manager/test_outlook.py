"""The outlook on screen: what to order and why, weeks as picture and table, whose locations, CSV."""

import re
from datetime import date

import pytest
from django.test import Client
from django.urls import reverse

from resupply.models import CatalogueItem, Job, StockTarget
from resupply.services import outlook, plans
from resupply.services.jobs import Progress, work
from tests.builders import NOW, TODAY, make_dispense, make_item, make_movement, make_patient
from tests.cast import Cast
from tests.web.pages import text

pytestmark = pytest.mark.usefixtures("usual_day")


@pytest.fixture
def mask(cast: Cast) -> CatalogueItem:
    """Ten patients of the North room wear a mask since 1 March; two are on its shelf, low from 3."""
    item = make_item(name="Aspen mask", part_code="A7034", kind="mask")
    cast.north.tracks_stock = True
    cast.north.save()
    people = [make_patient(location=cast.north) for _ in range(10)]
    for person in people:
        make_dispense(person, on=date(2026, 3, 1), lines=[{"part_code": "A7034", "item": item}])
    plans.refresh_plans([person.pk for person in people], now=NOW)
    make_movement(item, cast.north, quantity=2)
    StockTarget.objects.create(location=cast.north, item=item, low_at=3, order_up_to=12)
    outlook.work_out({"as_of": TODAY.isoformat()}, Progress(), now=NOW)
    return item


def page(client: Client, **query: object) -> str:
    return text(client.get(reverse("manager:outlook"), query))


def test_what_to_order_now_and_why(marta: Client, mask: CatalogueItem) -> None:
    said = page(marta)
    assert "1 order to place now" in said
    assert "On the shelf and fit to dispense 2" in said
    assert "falls below the reorder point of 3 in the week of Mon 16 Mar" in said
    assert re.search(r"Aspen mask \S* ?North room 10 , why\?", said)
    assert "The week of Mon 1 Jun takes most, 10 units on time" in said
    assert "No orders are worked out where stock is not tracked: South room." in said


def test_filters_and_whose_locations(cast: Cast, marta: Client, mask: CatalogueItem) -> None:
    assert "No part is needed here in these weeks." in page(marta, kind="tubing")
    assert "No part is needed here in these weeks." in page(marta, location=cast.south.pk)
    cast.manager.locations.set([cast.south])
    said = page(marta)
    assert "Aspen mask" not in said
    assert "Work out the outlook" not in said
    assert marta.post(reverse("manager:outlook_anew")).status_code == 302
    assert not Job.objects.exists()


def test_the_same_numbers_as_csv(marta: Client, mask: CatalogueItem) -> None:
    answer = marta.get(reverse("manager:outlook_csv"))
    rows = b"".join(answer.streaming_content).decode("utf-8-sig").splitlines()  # type: ignore[attr-defined]
    assert rows[0].startswith("location,kind,part_code,item,week_from,on_time,own_pace")
    assert len(rows) == 1 + 26
    assert sum(int(row.split(",")[-4]) for row in rows[1:]) == 20


def test_worked_out_anew_in_the_background(marta: Client, mask: CatalogueItem) -> None:
    assert marta.post(reverse("manager:outlook_anew")).status_code == 302
    assert work(now=NOW)
    assert "Parts needed in 26 weeks at 2 locations." in Job.objects.get().outcome


def test_before_anything_was_worked_out(marta: Client) -> None:
    assert "Nothing has been worked out yet." in page(marta)
