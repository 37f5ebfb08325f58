"""Emergency accesses for managers: who opened whom, why, what was read and changed; and their review."""

from uuid import UUID

from django import forms
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.queries import emergency as queries
from resupply.services import emergency as service
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.forms import written
from resupply.web.methods import GET_HEAD_OR_POST, posted
from resupply.web.page_words import page_words
from resupply.web.paging import page_number

PAGE = 30


class ReviewForm(forms.Form):
    """What a manager found."""

    note = forms.CharField(
        label="What you found", max_length=300, help_text="For example: spoke with the desk."
    )


@may("emergency.review")
@require_GET
def emergencies(request: StaffRequest) -> HttpResponse:
    """Those that nobody has reviewed, or all."""
    is_all, page = request.GET.get("show") == "all", page_number(request)
    rows = queries.to_review(request.location_ids)
    rows = rows if is_all else rows.filter(reviewed_at=None)
    found = list(rows[(page - 1) * PAGE : page * PAGE + 1])
    show = "show=all&" if is_all else ""
    context = {
        "today": clock.today(request.zone),
        "now": clock.now(),
        "rows": found[:PAGE],
        "mine": request.location_ids,
        "is_all": is_all,
        "newer_url": f"?{show}page={page - 1}" if page > 1 else "",
        "older_url": f"?{show}page={page + 1}" if len(found) > PAGE else "",
    }
    return render(request, "manager/emergencies.html", context)


@may("emergency.review")
@GET_HEAD_OR_POST
def emergency(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """One access with all that was done under it; a POST marks it as reviewed."""
    found = access.emergency_to_review_or_404(request, public_id)
    form = ReviewForm(posted(request))

    def write() -> bool:
        note = form.cleaned_data["note"]
        service.review(found, by=request.staff.user, note=note, now=clock.now())
        return True

    if request.method == "POST" and written(form, write):
        messages.success(request, "Marked as reviewed.")
        return redirect("manager:emergencies")
    done = queries.doings(found)
    context = {
        "today": clock.today(request.zone),
        "found": found,
        "is_named": not request.location_ids or found.patient.location_id in request.location_ids,
        "reads": [(row.at, page_words(row.page)) for row in done.reads],
        "changes": done.changes,
        "most": queries.MOST_DOINGS,
        "lasts": found.ended_at is None and clock.now() < found.ends_at,
        "is_own": found.user_id == request.staff.user_id,
        "form": form,
        "back_url": reverse("manager:emergencies"),
    }
    return render(request, "manager/emergency.html", context, status=422 if form.errors else 200)
