"""What leads decide about stock: targets of each item at a location, and whether it tracks stock."""

from django.contrib import messages
from django.forms import BaseFormSet
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from resupply import clock
from resupply.models import CatalogueItem, Location
from resupply.queries import stock
from resupply.services import stock_settings
from resupply.services.errors import Refused
from resupply.services.stock_settings import Target
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.desk.stock.forms import MOST_TARGETS, PlaceForm, TargetForm, TargetFormSet
from resupply.web.desk.stock.words import chosen_place, my_places, place_notes
from resupply.web.forms import show
from resupply.web.methods import GET_OR_POST
from resupply.web.no_location import needs_location
from resupply.web.wording import counted, kind_word


@may("stock.target")
@GET_OR_POST
@needs_location
def settings(request: StaffRequest) -> HttpResponse:
    """Targets item by item, and the switch of the location."""
    places = my_places(request)
    place = chosen_place(request, places)
    kind = request.GET.get("kind", "")
    found = [item for item in stock.offered() if not kind or item.kind == kind]
    items = {item.pk: item for item in found[:MOST_TARGETS]}
    if request.method == "POST" and "track" in request.POST:
        return _switch(request, place)
    formset = _formset(request, place, items)
    if request.method == "POST" and (done := _save(formset, place, items)) is not None:
        messages.success(request, f"Saved: {counted(done, 'target')} changed.")
        return redirect(request.get_full_path())
    rows = [
        (form, item, kind_word(item.kind))
        for form in formset
        if (item := items.get(_item_id(form))) is not None
    ]
    for form, item, _ in rows:
        for name, label in (("low_at", "Low from"), ("order_up_to", "Order up to")):
            form.fields[name].widget.attrs["aria-label"] = f"{label}: {item}"
    has_errors = formset.is_bound and not formset.is_valid()
    context = {
        "today": clock.today(place.time_zone),
        "place": place,
        "filters": PlaceForm(
            initial={"location": place.pk, "kind": kind}, locations=access.locations(request)
        ),
        "formset": formset,
        "rows": rows,
        "is_cut": len(found) > len(items),
        "has_errors": has_errors,
        "notes": place_notes([place]),
        "back_url": reverse("stock:to_order"),
    }
    return render(request, "desk/stock/settings.html", context, status=422 if has_errors else 200)


def _formset(
    request: StaffRequest, place: Location, items: dict[int, CatalogueItem]
) -> "BaseFormSet[TargetForm]":
    if request.method == "POST":
        return TargetFormSet(request.POST, prefix="targets")
    stored = stock.targets(place.pk)
    rows = []
    for pk in items:
        target = stored.get(pk)
        rows.append(
            {
                "item": pk,
                "low_at": target.low_at if target else None,
                "order_up_to": target.order_up_to if target else None,
            }
        )
    return TargetFormSet(initial=rows, prefix="targets")


def _save(formset: "BaseFormSet[TargetForm]", place: Location, items: dict[int, CatalogueItem]) -> int | None:
    """How many targets changed; None where something has to be mended."""
    if not formset.is_valid():
        return None
    forms = [form for form in formset if form.cleaned_data.get("item") in items]
    targets = [
        Target(items[data["item"]], data["low_at"], data["order_up_to"])
        for data in (form.cleaned_data for form in forms)
    ]
    try:
        return stock_settings.set_targets(place, targets)
    except Refused as refusal:
        show(refusal, forms[refusal.row or 0])
        return None


def _switch(request: StaffRequest, place: Location) -> HttpResponse:
    is_on = request.POST["track"] == "on"
    stock_settings.track_stock(place, is_on=is_on)
    done = (
        "Dispenses there take their parts from stock" if is_on else "Dispenses there take nothing from stock"
    )
    messages.success(
        request, f"{place.name}: stock is switched {'on' if is_on else 'off'}. {done} from now on."
    )
    return redirect(request.get_full_path())


def _item_id(form: TargetForm) -> int:
    value = str(form["item"].value() or "")
    return int(value) if value.isdecimal() and len(value) < 12 else 0
