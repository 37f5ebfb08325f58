"""Saved views of the overdue list: filters under a name, one's own."""

from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect
from django.urls import reverse

from resupply import clock
from resupply.models import SavedView
from resupply.services.saved_views import remove_view, save_view
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.act import act, ask, confirmed
from resupply.web.forms import written
from resupply.web.manager.forms import ViewNameForm
from resupply.web.manager.overdue import asked_for
from resupply.web.methods import GET_OR_POST, posted
from resupply.web.paging import filters_of, with_filters


@may("overdue.see")
@GET_OR_POST
def view_save(request: StaffRequest) -> HttpResponse:
    """Save the filters of this address under a name."""
    query = filters_of(request).urlencode()
    back = with_filters(request, "manager:overdue")
    form = ViewNameForm(posted(request))

    def write() -> SavedView:
        return save_view(form.cleaned_data["name"], query, by=request.staff.user, now=clock.now())

    if request.method == "POST" and (view := written(form, write)):
        messages.success(request, f"Saved as “{view.name}”.")
        return redirect(back)
    words = asked_for(request, request.GET).form.words()
    return ask(
        request, form, title="Save this view", action="Save the view",
        text=f"It holds: {' · '.join(words) if words else 'everyone'}. Only you see it; a view of yours "
        "with the same name is replaced.",
        back_url=back, back_label="Overdue",
    )  # fmt: skip


@may("overdue.see")
@GET_OR_POST
def view_remove(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Take a saved view off one's list."""
    view = access.saved_view_or_404(request, public_id)

    def write() -> str:
        remove_view(view, now=clock.now())
        return f"The view “{view.name}” was removed."

    return act(
        request, confirmed(request), write, title="Remove this view", action="Remove the view",
        text=f"“{view.name}” is taken off your list of views. No line changes.",
        back_url=reverse("manager:overdue"), back_label="Overdue",
    )  # fmt: skip
