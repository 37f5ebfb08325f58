"""Recalls and holds: what they name, whom they touch, and the forms that record them and take them back."""

from functools import partial
from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.models import Recall
from resupply.queries import catalogue as shelf
from resupply.queries import recalls as queries
from resupply.services import recalls as service
from resupply.web import access
from resupply.web.access import StaffRequest, can, may
from resupply.web.act import take_back
from resupply.web.forms import written
from resupply.web.manager.recall_forms import RecallForm
from resupply.web.methods import GET_OR_POST, posted
from resupply.web.paging import page_number


@may("recall.see")
@require_GET
def recalls(request: StaffRequest) -> HttpResponse:
    """Every recall, those that stand first."""
    context = {
        "today": clock.today(request.zone),
        "recalls": queries.all_recalls(),
        "may_change": can(request, "recall.change"),
    }
    return render(request, "manager/recalls.html", context)


@may("recall.see")
@require_GET
def recall(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """One recall, how many dispensed lines it names, and whose they are at one's own locations."""
    found = access.recall_or_404(public_id)
    today = clock.today(request.zone)
    page = page_number(request)
    lines, more = queries.named_lines(found, among=access.patients(request), today=today, page=page)
    context = {
        "today": today,
        "recall": found,
        "count": queries.count_touched(found),
        "most": queries.MOST_COUNTED,
        "lines": lines,
        "newer_url": f"?page={page - 1}" if page > 1 else "",
        "older_url": f"?page={page + 1}" if more else "",
        "may_change": can(request, "recall.change"),
        "is_everywhere": not request.location_ids,
    }
    return render(request, "manager/recall.html", context)


@may("recall.change")
@GET_OR_POST
def recall_new(request: StaffRequest) -> HttpResponse:
    """Record a recall."""
    today = clock.today(request.zone)
    form = RecallForm(posted(request), initial={"issued_on": today}, families=shelf.all_families())

    def write() -> Recall:
        return service.record_recall(form.details(), by=request.staff.user, today=today, now=clock.now())

    if request.method == "POST" and (made := written(form, write)):
        messages.success(request, "Recall recorded. Nothing that it names is dispensed from now on.")
        return redirect("manager:recall", made.public_id)
    context = {"today": today, "form": form, "back_url": reverse("manager:recalls")}
    return render(request, "manager/recall_new.html", context, status=422 if form.errors else 200)


@may("recall.change")
@GET_OR_POST
def recall_void(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Take a recall back with a reason."""
    found = access.recall_or_404(public_id)

    return take_back(
        request, partial(service.void_recall, found),
        done=f"Voided: {found.title}. What it named may be dispensed again.",
        title=f"Void: {found.title}", action="Void the recall",
        text="What it names may be dispensed again. The record stays, struck through, with your reason.",
        back_url=reverse("manager:recall", args=[public_id]), back_label="The recall",
    )  # fmt: skip
