"""The outlook: what half a year takes, what to order now, how fast the clinic is; the same numbers as CSV."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from django.contrib import messages
from django.http import HttpResponse, StreamingHttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.delivery.tables_out import Cell
from resupply.models import Location
from resupply.queries import outlook as queries
from resupply.queries.outlook import ItemDemand, Outlook, PaceSeen
from resupply.rules.delays import Curve, Delay, kaplan_meier
from resupply.rules.demand import WEEKS
from resupply.services import jobs
from resupply.services.outlook import OUTLOOK
from resupply.services.outlook_pace import ENOUGH
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.act import ask
from resupply.web.files import csv_file
from resupply.web.forms import AtLocationForm, any_kind, any_location, dress
from resupply.web.manager.outlook_chart import outlook_chart
from resupply.web.manager.outlook_words import finding, order_steps, pace_finding, pace_words, shown_number
from resupply.web.methods import GET_OR_POST
from resupply.web.paging import with_filters
from resupply.web.wording import kind_word

NEAR = 4
"""Weeks of "the next weeks" in the table of items."""


class OutlookForm(AtLocationForm):
    """Where, and which kind of part."""

    location = any_location("All my locations")
    kind = any_kind()

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        dress(self)


@dataclass(frozen=True, slots=True)
class ItemShown:
    """One item at one location in the table."""

    label: str
    place: str
    near: int
    on_time: int
    expected: str
    found: ItemDemand
    steps: list[tuple[str, str]]

    @property
    def can_be_given(self) -> int:
        """Units fit to dispense that nobody is owed."""
        return self.found.shelf.usable - self.found.shelf.owed if self.found.shelf else 0


@may("outlook.see")
@require_GET
def outlook(request: StaffRequest) -> HttpResponse:
    """The outlook of one's own locations."""
    form, places, today = _asked(request)
    run, kind = queries.newest(), form.cleaned_data["kind"]
    context: dict[str, Any] = {
        "form": form,
        "today": today,
        "run": run,
        "place": form.cleaned_data["location"],
        "weeks": WEEKS,
        "may_work_out": not request.location_ids,
        "list_url": reverse("manager:outlook"),
        "csv_url": with_filters(request, "manager:outlook_csv"),
    }
    if run is not None:
        ids = {place.pk for place in places}
        found = queries.outlook(run, ids, kind=kind, today=today)
        context |= _shown(found, today) | {
            "paces": [_pace(one) for one in queries.paces_seen(run, ids, kind=kind)],
            "without_stock": queries.places_without_stock(places),
        }
        context["pace_finding"] = pace_finding(
            [(kind_word(label), curve) for label, curve, _ in context["paces"]], enough=ENOUGH
        )
    return render(request, "manager/outlook.html", context)


@may("outlook.see")
@require_GET
def outlook_csv(request: StaffRequest) -> StreamingHttpResponse:
    """Units by location, item and week."""
    form, places, today = _asked(request)
    run = queries.newest()
    ids = {place.pk for place in places}
    found = queries.outlook(run, ids, kind=form.cleaned_data["kind"], today=today) if run else None
    header = (
        "location", "kind", "part_code", "item", "week_from", "on_time", "own_pace", "own_pace_low",
        "own_pace_high",
    )  # fmt: skip
    return csv_file(f"outlook-{today.isoformat()}", header, _rows(found) if found else ())


@may("outlook.see")
@GET_OR_POST
def outlook_anew(request: StaffRequest) -> HttpResponse:
    """Have the outlook worked out anew in the background."""
    if request.method == "GET":
        return ask(
            request, None, title="Work out the outlook anew", action="Work out the outlook anew",
            text="Every refill of the next half year is counted anew, location by location, in the "
            "background. What stands is shown until it is done.",
            back_url=reverse("manager:outlook"), back_label="Outlook",
        )  # fmt: skip
    if request.location_ids:
        messages.error(request, "The outlook is worked out for all locations, by those who work everywhere.")
        return redirect("manager:outlook")
    job = jobs.ask(
        OUTLOOK,
        {"as_of": clock.today(request.zone).isoformat()},
        title="Outlook of the next half year",
        permission="outlook.see",
        back_url=reverse("manager:outlook"),
        by=request.staff.user,
        now=clock.now(),
    )
    return redirect("job", job.public_id)


def _asked(request: StaffRequest) -> tuple[OutlookForm, list[Location], date]:
    """The form, the locations it names, and today."""
    mine = access.locations(request)
    form = OutlookForm(request.GET, locations=mine)
    form.is_valid()
    form.cleaned_data.setdefault("kind", "")
    place = form.cleaned_data.setdefault("location", None)
    return form, [place] if place else list(mine), clock.today(request.zone)


def _shown(found: Outlook, today: date) -> dict[str, Any]:
    items = [_item(one, today) for one in found.items]
    return {
        "found": found,
        "finding": finding(found, today=today),
        "chart": outlook_chart(found.weeks),
        "by_week": [
            (week.begins_on, week.on_time, f"{week.expected:,.0f}", week.low, week.high)
            for week in found.weeks
        ],
        "later": f"{found.later:,.0f}",
        "items": items,
        "to_order": [_item(one, today) for one in found.to_order],
        "to_order_later": [_item(one, today) for one in found.to_order_later],
        "near": NEAR,
        "last_day": found.run.first_day + timedelta(weeks=WEEKS, days=-1),
    }


def _item(one: ItemDemand, today: date) -> ItemShown:
    row = one.row
    return ItemShown(
        queries.item_label(row),
        row.location.name,
        sum(row.on_time[:NEAR]),
        sum(row.on_time),
        shown_number(sum(row.expected)),
        one,
        order_steps(one, today=today),
    )


def _pace(seen: PaceSeen) -> tuple[str, Curve, str]:
    """A kind, its curve at the locations shown, and the curve in words."""
    known = [Delay(days, True) for days, number in seen.known.items() for _ in range(number)]
    still = [Delay(days, False) for days, number in seen.open.items() for _ in range(number)]
    curve = kaplan_meier([*known, *still])
    return seen.kind, curve, pace_words(curve, enough=ENOUGH)


def _rows(found: Outlook) -> Iterator[tuple[Cell, ...]]:
    for one in found.items:
        row = one.row
        for week in range(WEEKS):
            begins = found.run.first_day + timedelta(weeks=week)
            yield (
                row.location.name, row.kind, row.part_code, str(row.item) if row.item else "", begins,
                row.on_time[week], f"{row.expected[week]:.2f}", row.low[week], row.high[week],
            )  # fmt: skip
