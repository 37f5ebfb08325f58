"""Take a movement back; back orders of patients: the list, a new one, another day, and taking one back."""

from functools import partial
from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.models import BackOrder
from resupply.queries import stock
from resupply.queries.screening import givable
from resupply.rules.tables import part_types
from resupply.services import back_orders as service
from resupply.services import stocking
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.act import act, take_back
from resupply.web.desk.stock.forms import BackOrderForm, ExpectedForm
from resupply.web.desk.stock.words import lot_name, movement_word, part_choices, signed
from resupply.web.methods import GET_OR_POST, posted
from resupply.web.wording import day_words, kind_word


@may("stock.change")
@GET_OR_POST
def movement_void(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Take a movement back, a slip of the keyboard."""
    movement = access.movement_or_404(request, public_id)
    today = clock.today(movement.location.time_zone)
    lot = lot_name(movement.lot, movement.expires_on, today=today)

    return take_back(
        request, partial(stocking.void_movement, movement), done="Voided. The shelf is as it was before.",
        title=f"Void: {movement_word(movement).lower()}, {signed(movement.quantity)}",
        action="Void the movement",
        text=f"{movement.item}, {lot}, at {movement.location.name}, "
        f"{day_words(movement.on, today=today)}. For a slip of the keyboard: the shelf becomes what it was "
        f"before{', at both locations' if movement.pair else ''}. The record stays, struck through, "
        "with your reason.",
        today=today, back_url=reverse("stock:ledger", args=[movement.item.public_id]),
        back_label="Movements of the item",
    )  # fmt: skip


@may("stock.see")
@require_GET
def back_orders(request: StaffRequest) -> HttpResponse:
    """Who waits for what."""
    today = clock.today(request.zone)
    rows = stock.open_back_orders(request.location_ids)
    context = {"today": today, "rows": [(row, kind_word(row.kind), _wait(row)) for row in rows]}
    return render(request, "desk/stock/back_orders.html", context)


@may("stock.change")
@GET_OR_POST
def back_order_new(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Promise a patient parts that are not in stock; the address may name a kind or an item."""
    person = access.patient_or_404(request, public_id)
    today = clock.today(person.time_zone)
    items = {item.pk: item for item in givable(person.pk, stock.offered(), today=today)}
    form = BackOrderForm(
        posted(request),
        parts=part_choices(items.values()),
        locations=access.locations(request),
        initial={"part": request.GET.get("part", ""), "quantity": 1, "location": person.location_id},
    )

    def write() -> str:
        data = form.cleaned_data
        sort, _, key = data["part"].partition(":")
        item = items[int(key)] if sort == "item" else None
        order = service.back_order(
            patient=person, location=data["location"], item=item,
            kind=item.kind if item else part_types()[key].kind, part_code=item.part_code if item else key,
            quantity=data["quantity"], expected_on=data["expected_on"], note=data["note"],
            by=request.staff.user, now=clock.now(),
        )  # fmt: skip
        return f"Back-ordered: {order.quantity} × {kind_word(order.kind).lower()}."

    return act(
        request, form, write, person=person, title="Back-order a part", action="Back-order the part",
        text="Parts the patient is to have once they are in stock. It waits on the list of back orders until "
        f"a dispense of that part fills it. Today is {day_words(today, today=today)}.",
    )  # fmt: skip


@may("stock.change")
@GET_OR_POST
def back_order(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Say when the parts are expected now."""
    order = access.back_order_or_404(request, public_id)
    form = ExpectedForm(posted(request), initial={"expected_on": order.expected_on})

    def write() -> str:
        service.expect_on(order, expected_on=form.cleaned_data["expected_on"], now=clock.now())
        return "The day these parts are expected on is changed."

    return act(
        request, form, write, person=order.patient, title="Back order: another day", action="Save the day",
        text=f"{_what(order)}, ordered on {day_words(order.ordered_on, today=None)}.",
    )  # fmt: skip


@may("stock.change")
@GET_OR_POST
def back_order_void(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Take a back order back with a reason."""
    order = access.back_order_or_404(request, public_id)

    return take_back(
        request, partial(service.void_back_order, order), done="Voided: the back order.",
        person=order.patient, title="Void the back order",
        action="Void the back order",
        text=f"{_what(order)}. Nobody waits for these parts any more. The record stays, with your reason.",
    )  # fmt: skip


def _what(order: BackOrder) -> str:
    return f"{order.quantity} × {order.item or kind_word(order.kind).lower()}"


def _wait(order: BackOrder) -> str:
    return str(order.item) if order.item else part_types()[order.part_code].name
