"""The prescriber's orders and a patient's devices: what is on record, and the forms that add and void."""

from collections.abc import Iterable
from functools import partial
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.forms import BaseFormSet
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.models import Order, Patient
from resupply.queries import equipment
from resupply.services import orders as service
from resupply.services.errors import Refused
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.act import act, take_back
from resupply.web.desk.order_forms import DeviceForm, OrderForm, OrderItemForm, OrderItemFormSet
from resupply.web.forms import show
from resupply.web.methods import GET_OR_POST, posted
from resupply.web.wording import day_words, part_word

FIRST_ROWS = 5
"""Empty rows of an order that follows none."""


@may("patient.see")
@require_GET
def equipment_page(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Devices and orders, the newest first; voided ones stay, struck through."""
    person = access.patient_or_404(request, public_id)
    context = {
        "person": person,
        "today": clock.today(person.time_zone),
        "devices": equipment.devices(person),
        "orders": [
            (order, [(item, part_word(item.part_code)) for item in order.items.all()])
            for order in equipment.orders(person)
        ],
        "back_url": reverse("desk:patient", args=[person.public_id]),
    }
    return render(request, "desk/equipment.html", context)


@may("equipment.record")
@GET_OR_POST
def order_new(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Record a prescriber's order; the parts of the last one stand in the form."""
    person = access.patient_or_404(request, public_id)
    today = clock.today(person.time_zone)
    head, rows = _order_forms(request, person)
    is_sent = request.method == "POST" and "more" not in request.POST
    if is_sent and (order := _record(request, person, head, rows)):
        messages.success(request, f"Order of {day_words(order.ordered_on, today=today)} recorded.")
        return redirect("desk:equipment", person.public_id)
    has_errors = is_sent and (bool(head.errors) or any(row.errors for row in rows))
    context = {
        "person": person,
        "today": today,
        "form": head,
        "rows": rows,
        "has_errors": has_errors,
        "is_from_last": request.method == "GET" and bool(head.initial.get("prescriber_npi")),
        "back_url": reverse("desk:equipment", args=[person.public_id]),
    }
    return render(request, "desk/order_new.html", context, status=422 if has_errors else 200)


@may("equipment.void")
@GET_OR_POST
def order_void(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Take an order back with a reason."""
    order = access.order_or_404(request, public_id)
    name = f"order of {day_words(order.ordered_on, today=clock.today(order.patient.time_zone))}"

    return take_back(
        request, partial(service.void_order, order), done=f"Voided: {name}.",
        person=order.patient, title=f"Void the {name}", action="Void the order",
        text="Dispenses that name it keep naming it. The record stays, struck through, with your reason.",
    )  # fmt: skip


@may("equipment.record")
@GET_OR_POST
def device_new(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Record a device."""
    person = access.patient_or_404(request, public_id)
    today = clock.today(person.time_zone)
    form = DeviceForm(posted(request), initial={"supplied_on": today})

    def write() -> str:
        device = service.record_device(person, form.details(), by=request.staff.user, now=clock.now())
        return f"Device recorded, supplied {day_words(device.supplied_on, today=today)}."

    return act(
        request, form, write, person=person, title="Record a device", action="Record the device",
        text="The device supplied last is the one in use. The pressure is what the prescriber wrote; nothing "
        "here sets a device or advises on therapy.",
    )  # fmt: skip


@may("equipment.void")
@GET_OR_POST
def device_void(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Take a device back with a reason."""
    device = access.device_or_404(request, public_id)
    name = f"device supplied {day_words(device.supplied_on, today=clock.today(device.patient.time_zone))}"

    return take_back(
        request, partial(service.void_device, device), done=f"Voided: {name}.",
        person=device.patient, title=f"Void the {name}", action="Void the device",
        text="The one supplied before it is the patient's again. The record stays, struck through, with your "
        "reason.",
    )  # fmt: skip


def _order_forms(request: StaffRequest, person: Patient) -> tuple[OrderForm, "BaseFormSet[OrderItemForm]"]:
    """Head and rows: empty, as sent, or as sent with a row more."""
    if request.method == "POST" and "more" not in request.POST:
        return OrderForm(request.POST), OrderItemFormSet(request.POST, prefix="rows")
    if request.method == "POST":
        typed = [
            {name: request.POST.get(f"rows-{place}-{name}", "") for name in OrderItemForm.base_fields}
            for place in range(_sent_rows(request))
        ]
        return OrderForm(initial=request.POST.dict()), OrderItemFormSet(initial=[*typed, {}], prefix="rows")
    latest = next((order for order in equipment.orders(person) if not order.is_voided), None)
    first: dict[str, Any] = {"ordered_on": clock.today(person.time_zone)}
    if latest:
        first |= {"prescriber_name": latest.prescriber_name, "prescriber_npi": latest.prescriber_npi}
    return OrderForm(initial=first), OrderItemFormSet(initial=_first_rows(latest), prefix="rows")


def _first_rows(latest: Order | None) -> list[dict[str, Any]]:
    """The parts of the last order and a row to spare; empty rows where there is none."""
    names = ("part_code", "quantity", "period_months")
    items: Iterable[Any] = latest.items.all() if latest else ()
    before: list[dict[str, Any]] = [{name: getattr(item, name) for name in names} for item in items]
    return [*before, {}] if before else [{} for _ in range(FIRST_ROWS)]


def _sent_rows(request: StaffRequest) -> int:
    """How many rows came back, within what a form may have."""
    sent = request.POST.get("rows-TOTAL_FORMS", "")
    return min(int(sent), 19) if sent.isascii() and sent.isdigit() and len(sent) < 4 else 0


def _record(
    request: StaffRequest, person: Patient, head: OrderForm, rows: "BaseFormSet[OrderItemForm]"
) -> Order | None:
    """What the service recorded; None where the form has to be mended, with the errors in place."""
    if not (head.is_valid() and rows.is_valid()):
        return None
    wanted = [row for row in rows if row.is_wanted]
    details = head.details([row.ordered() for row in wanted])
    try:
        return service.record_order(person, details, by=request.staff.user, now=clock.now())
    except Refused as refusal:
        show(refusal, head if refusal.row is None else wanted[refusal.row])
        return None
