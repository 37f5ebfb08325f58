"""Emergency access at the desk: opened by who the patient is and a reason, for an hour; ended early.

The patient is named exactly and with the date of birth: the form finds one person and lists nobody, so that
it is no way to look through the patients of other locations. Wrong names are few and logged.
"""

import logging
from datetime import date
from uuid import UUID

from django import forms
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from resupply import clock
from resupply.models import EmergencyAccess
from resupply.queries import emergency as queries
from resupply.services import emergency as service
from resupply.services.errors import Refused
from resupply.services.find_tokens import fold
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.access.guessing import Tally
from resupply.web.act import ask
from resupply.web.forms import day_field, written
from resupply.web.methods import GET_HEAD_OR_POST, posted

WRONG_NAMES = Tally("emergency", most=10, seconds=3600)
"""So many names that fit nobody, by one member of staff in an hour (ours)."""
log = logging.getLogger(__name__)


class EmergencyForm(forms.Form):
    """Whose records, and why."""

    named = forms.CharField(
        label="Reference, or family name", max_length=80, help_text="Written in full; accents do not matter."
    )
    birth_date = day_field("Date of birth")
    reason = forms.CharField(
        label="What makes this an emergency?",
        min_length=service.LEAST_REASON,
        max_length=300,
        help_text="A manager reads this. For example: here with a broken mask, the own location is closed.",
    )


@may("emergency.open")
@GET_HEAD_OR_POST
def begin(request: StaffRequest) -> HttpResponse:
    """Open one patient of another location for an hour."""
    form = EmergencyForm(posted(request))
    if (
        request.method == "POST"
        and request.location_ids
        and (opened := written(form, lambda: _open(request, form)))
    ):
        if isinstance(opened, EmergencyAccess):
            messages.warning(request, "Opened for 60 minutes. A manager is told, and sees what you look at.")
            return redirect("desk:patient", opened.patient.public_id)
        return redirect("desk:patient", opened)
    context = {
        "today": clock.today(request.zone),
        "form": form,
        "is_everywhere": not request.location_ids,
        "back_url": reverse("desk:find"),
    }
    return render(request, "desk/emergency.html", context, status=422 if form.errors else 200)


@may("emergency.open")
@GET_HEAD_OR_POST
def end(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """End an access of one's own before its hour is over."""
    opened = access.emergency_or_404(request, public_id)
    if request.method == "POST":
        service.end(opened, now=clock.now())
        messages.success(request, "Emergency access ended.")
        return redirect("desk:find")
    return ask(
        request, None, title="End the emergency access", action="End the access now",
        text="The patient is closed to you at once. What you recorded stays.",
        back_url=reverse("desk:find"), back_label="Patients",
    )  # fmt: skip


def _open(request: StaffRequest, form: EmergencyForm) -> EmergencyAccess | UUID:
    """The access; or the public id of a patient who needs none. Raises Refused."""
    user, birth_date = request.staff.user, form.cleaned_data["birth_date"]
    assert isinstance(birth_date, date)  # noqa: S101 - for mypy
    if WRONG_NAMES.is_full(str(user.pk)):
        raise Refused(
            "too_many", "Too many names that fit nobody. Wait an hour, or call the patient's location."
        )
    words = fold(form.cleaned_data["named"].replace("\0", "")).split()[:6]
    found = queries.named(words, birth_date)
    if len(found) > 1:
        raise Refused("several", "More than one patient fits. Give the reference.", "named")
    if not found:
        WRONG_NAMES.add(str(user.pk))
        log.warning("emergency access: user %s named nobody on record", user.pk)
        raise Refused(
            "nobody", "Nobody on record has this name or reference and this date of birth.", "named"
        )
    if found[0].location_id in request.location_ids:
        return found[0].public_id
    return service.begin(found[0], by=user, reason=form.cleaned_data["reason"], now=clock.now())
