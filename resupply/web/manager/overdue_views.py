"""Saved views of the overdue list: filters under a name, one's own."""

from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from resupply import clock
from resupply.models import SavedView
from resupply.services.saved_views import remove_view, save_view
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.forms import written
from resupply.web.manager.forms import ViewNameForm
from resupply.web.manager.overdue import asked_for
from resupply.web.paging import filters_of

GET_OR_POST = require_http_methods(["GET", "POST"])


@may("overdue.see")
@GET_OR_POST
def view_save(request: StaffRequest) -> HttpResponse:
    """Save the filters of this address under a name."""
    query = filters_of(request).urlencode()
    back = f"{reverse('manager:overdue')}?{query}" if query else reverse("manager:overdue")
    form = ViewNameForm(request.POST if request.method == "POST" else None)

    def write() -> SavedView:
        return save_view(form.cleaned_data["name"], query, by=request.staff.user, now=clock.now())

    if request.method == "POST" and (view := written(form, write)):
        messages.success(request, f"Saved as “{view.name}”.")
        return redirect(back)
    words = asked_for(request, request.GET).form.words()
    context = {
        "title": "Save this view",
        "text": f"It holds: {' · '.join(words) if words else 'everyone'}. Only you see it; a view of yours "
        "with the same name is replaced.",
        "action": "Save the view",
        "form": form,
        "back_url": back,
        "back_label": "Overdue",
        "today": clock.today(request.zone),
    }
    return render(request, "act.html", context, status=422 if form.is_bound else 200)


@may("overdue.see")
@GET_OR_POST
def view_remove(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Take a saved view off one's list."""
    view = access.saved_view_or_404(request, public_id)
    back = reverse("manager:overdue")
    if request.method == "POST":
        remove_view(view, now=clock.now())
        messages.success(request, f"The view “{view.name}” was removed.")
        return redirect(back)
    context = {
        "title": "Remove this view",
        "text": f"“{view.name}” is taken off your list of views. No line changes.",
        "action": "Remove the view",
        "back_url": back,
        "back_label": "Overdue",
        "today": clock.today(request.zone),
    }
    return render(request, "act.html", context)
