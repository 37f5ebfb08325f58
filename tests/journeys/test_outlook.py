"""A day off moves a delivery, and the outlook says what to order: at the desk's width, then on a phone."""

import re
from datetime import timedelta

import pytest
from playwright.sync_api import expect

from resupply import clock
from resupply.models import StockTarget
from resupply.queries.deliveries import of_patient
from resupply.queries.plans import to_plan
from resupply.services import outlook, plans
from resupply.services.jobs import Progress
from resupply.web.wording import day_words
from tests.builders import make_dispense, make_item, make_movement
from tests.cast import Cast
from tests.journeys.conftest import OpenWindow
from tests.journeys.steps import fits

pytestmark = pytest.mark.browser


def test_a_day_off_moves_a_delivery_and_the_outlook_says_what_to_order(
    window: OpenWindow, cast: Cast
) -> None:
    today, item = clock.today(cast.north.time_zone), make_item(name="Aspen cushion")
    line = {"quantity": 1, "item": item}
    make_dispense(cast.odalys, on=today - timedelta(days=10), lines=[line])
    plans.refresh_plans([cast.odalys.pk], now=clock.now())
    cast.north.tracks_stock = True
    cast.north.save()
    make_movement(item, cast.north, quantity=2)
    StockTarget.objects.create(location=cast.north, item=item, low_at=3, order_up_to=12)
    lines = [to_plan(row) for row in cast.odalys.plan_lines.all()]
    planned = of_patient(cast.odalys, lines, said_yes=(), today=today)
    assert planned is not None
    said = day_words(planned.day.on, today=today)

    page = window(user=cast.user("manager"), width=1280)
    page.goto(f"/desk/patients/{cast.odalys.public_id}/")
    delivery = page.locator(".next-delivery")
    expect(delivery).to_contain_text(f"Next delivery {said}: cushion")
    page.goto("/manager/outlook/")
    expect(page.get_by_text("Nothing has been worked out yet.")).to_be_visible()
    page.get_by_role("link", name="Open days").click()
    page.get_by_role("link", name="Add a day off").click()
    page.get_by_label("Day").fill(planned.day.on.isoformat())
    page.get_by_label("Reason").fill("Training")
    page.get_by_role("button", name="Add the day off").click()
    expect(page.get_by_role("status")).to_contain_text(f"Closed on {said}: 2 locations.")
    page.goto(f"/desk/patients/{cast.odalys.public_id}/")
    expect(delivery).not_to_contain_text(said)
    delivery.get_by_text("why?").click()
    expect(delivery.get_by_text("The earliest of the last days")).to_be_visible()
    page.get_by_role("link", name="The year ahead").click()
    expect(
        page.get_by_role("heading", name=re.compile("deliveries serve .* in the next 12 months"))
    ).to_be_visible()

    outlook.work_out({"as_of": today.isoformat()}, Progress(), now=clock.now())
    page = window(user=cast.user("manager"), width=390)
    page.goto("/manager/outlook/")
    page.get_by_label("Location").select_option("North room")
    page.get_by_role("button", name="Show").click()
    expect(page.get_by_role("heading", name="1 order to place now")).to_be_visible()
    page.locator(".why-cell summary").first.focus()
    page.keyboard.press("Enter")
    expect(page.get_by_text("On the shelf and fit to dispense")).to_be_visible()
    assert fits(page)
