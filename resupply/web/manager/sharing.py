"""Programs that read records over FHIR: who they are, what each has read, let in and shut out."""

from datetime import date, datetime, time, timedelta
from typing import Any
from uuid import UUID

from django import forms
from django.conf import settings
from django.http import HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.models import Location, SharedResource
from resupply.queries import sharing as queries
from resupply.rules.zones import zone_named
from resupply.services import sharing
from resupply.services.sharing import LetIn, NewIntegration
from resupply.web import access
from resupply.web.access import StaffRequest, can, may
from resupply.web.act import act, ask, confirmed
from resupply.web.forms import day_field, written
from resupply.web.methods import GET_OR_POST, posted

LAST_DAY = date(9999, 12, 30)
"""The last that has a day after it; the service refuses it, as any so far ahead."""


class IntegrationForm(forms.Form):
    """A program to let in."""

    name = forms.CharField(label="Program", max_length=80)
    purpose = forms.CharField(
        label="Why it reads records",
        max_length=300,
        help_text="Who asked for it, and what for. Stays on record.",
    )
    resources = forms.MultipleChoiceField(
        label="It may read", choices=SharedResource, widget=forms.CheckboxSelectMultiple
    )
    locations = forms.ModelMultipleChoiceField(
        Location.objects.none(),
        label="Of patients of",
        required=False,
        widget=forms.CheckboxSelectMultiple,
        help_text="None ticked: of all of these.",
    )
    last_day = day_field("Last day", help_text="At most a year ahead.")

    def __init__(self, *args: Any, places: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["locations"].queryset = places  # type: ignore[attr-defined]

    def new(self, request: StaffRequest) -> NewIntegration:
        """What was filled in, once validated; the last day ends where the person asking is.

        Whoever sees some locations lets nobody see others: none ticked are all of those.
        """
        data = self.cleaned_data
        chosen = list(data["locations"])
        if not chosen and request.location_ids:
            chosen = list(access.locations(request))
        last = min(data["last_day"], LAST_DAY)
        after = datetime.combine(last + timedelta(days=1), time(), zone_named(request.zone))
        return NewIntegration(
            name=data["name"],
            purpose=data["purpose"],
            resources=[SharedResource(name) for name in data["resources"]],
            locations=chosen,
            expires_at=after,
        )


@may("sharing.see")
@require_GET
def programs(request: StaffRequest) -> HttpResponse:
    """Every program, the newest first."""
    context = {
        "today": clock.today(request.zone),
        "now": clock.now(),
        "is_on": settings.FHIR,
        "base": f"{settings.PUBLIC_URL}/fhir",
        "programs": queries.integrations(),
        "may_change": can(request, "sharing.change"),
    }
    return render(request, "manager/sharing.html", context)


@may("sharing.change")
@GET_OR_POST
def program_new(request: StaffRequest) -> HttpResponse:
    """Let a program in; the answer shows its token this once."""
    today = clock.today(request.zone)
    form = IntegrationForm(
        posted(request),
        places=access.locations(request),
        initial={"last_day": today + timedelta(days=180)},
    )

    def write() -> LetIn:
        return sharing.let_in(form.new(request), by=request.staff.user, now=clock.now())

    if request.method == "POST" and (made := written(form, write)):
        context = {
            "today": today,
            "program": made.integration,
            "token": made.token,
            "base": f"{settings.PUBLIC_URL}/fhir",
            "is_on": settings.FHIR,
        }
        return render(request, "manager/sharing_token.html", context)
    return ask(
        request, form, title="Let a program in", action="Make the token",
        text="It reads the records you tick with a token that is shown once, and writes nothing.",
        back_url=reverse("manager:sharing"), back_label="Sharing",
    )  # fmt: skip


@may("sharing.see")
@require_GET
def program(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """One program, and its newest requests."""
    found = access.integration_or_404(public_id)
    context = {
        "today": clock.today(request.zone),
        "now": clock.now(),
        "program": found,
        "reads": queries.newest_reads(found),
        "may_change": can(request, "sharing.change"),
    }
    return render(request, "manager/sharing_program.html", context)


@may("sharing.change")
@GET_OR_POST
def program_end(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Shut a program out."""
    found = access.integration_or_404(public_id)

    def write() -> str:
        sharing.end(found, by=request.staff.user, now=clock.now())
        return f"{found.name} is shut out. Its token opens nothing any more."

    return act(
        request, confirmed(request), write, title=f"Shut out {found.name}", action="Shut the program out",
        text="Its token opens nothing from now on, for good. What it has read stays on record.",
        danger=True, back_url=reverse("manager:sharing_program", args=[public_id]), back_label=found.name,
    )  # fmt: skip
