"""Payers: who pays for parts, by which rules patients are planned, and the shipped table to start with."""

from dataclasses import dataclass
from functools import partial

from django import forms
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.http import urlencode
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.models import Payer
from resupply.queries import payers as queries
from resupply.rules import adherence
from resupply.rules.tables import part_types, refill_rule_on, usual_maximums
from resupply.services import payers as service
from resupply.services.payers import PayerRules
from resupply.web import access
from resupply.web.access import StaffRequest, can, may
from resupply.web.act import act, confirmed
from resupply.web.forms import window_choices, written
from resupply.web.methods import GET_OR_POST, posted
from resupply.web.ways import way_back
from resupply.web.wording import cited


class PayerForm(forms.Form):
    """A payer's name."""

    name = forms.CharField(label="Name", max_length=80, help_text="As your staff know it.")


class NewPayerForm(PayerForm):
    """A payer, and by which rules its patients are planned at first."""

    rules = forms.ChoiceField(
        label="What it allows",
        choices=[
            (PayerRules.PUBLISHED.value, "The published usual maximums, and the published refill rule"),
            (
                PayerRules.NONE.value,
                "Something else: I enter it under Policy, and until then there is no limit",
            ),
        ],
        widget=forms.RadioSelect,
        initial=PayerRules.PUBLISHED.value,
        help_text="Both can be changed later, code by code and from a day on.",
    )
    reevaluation = forms.ChoiceField(
        label="It wants patients seen again in the first months",
        required=False,
        choices=partial(window_choices, "No"),
        help_text="The policy under which it covers the therapy. Days of its own can be entered later.",
    )


@dataclass(frozen=True, slots=True)
class Published:
    """A row of the published table: so many units in so many months, and how many such periods at once."""

    code: str
    name: str
    units: int
    months: int
    at_once: int


@may("policy.change")
@require_GET
def payers(request: StaffRequest) -> HttpResponse:
    """Every payer, and what its patients are planned by."""
    windows = adherence.shipped()[1]
    rows = [
        (payer, _policy_url(payer), windows[payer.reevaluation].name if payer.reevaluation else "")
        for payer in queries.listed()
    ]
    may_see_windows = can(request, "care_plan.version")
    context = {"today": clock.today(request.zone), "rows": rows, "may_see_windows": may_see_windows}
    return render(request, "manager/payers.html", context)


@may("policy.change")
@GET_OR_POST
def payer_new(request: StaffRequest) -> HttpResponse:
    """Add a payer, with the shipped table in sight."""
    form = NewPayerForm(posted(request))

    def write() -> Payer:
        data = form.cleaned_data
        return service.add_payer(
            data["name"],
            PayerRules(data["rules"]),
            reevaluation=data["reevaluation"],
            by=request.staff.user,
            now=clock.now(),
        )

    if request.method == "POST" and (made := written(form, write)):
        messages.success(request, f"Added: {made.name}. It can be chosen for patients from now on.")
        return redirect(way_back(request) or "manager:payers")
    context = {
        "form": form,
        "back_url": way_back(request) or reverse("manager:payers"),
        **_published(request),
    }
    return render(request, "manager/payer_new.html", context, status=422 if form.errors else 200)


@may("policy.change")
@GET_OR_POST
def payer_edit(request: StaffRequest, pk: int) -> HttpResponse:
    """Give a payer another name."""
    payer = access.payer_or_404(pk)
    title = f"Change {payer.name}"
    form = PayerForm(posted(request), initial={"name": payer.name})

    def write() -> str:
        return f"Saved: {service.rename_payer(payer, form.cleaned_data['name']).name}."

    return act(
        request, form, write, title=title, action="Save the payer",
        text="Records keep pointing to it. An import finds a payer by its name.",
        back_url=reverse("manager:payers"), back_label="Payers",
    )  # fmt: skip


@may("policy.change")
@GET_OR_POST
def payer_published(request: StaffRequest, pk: int) -> HttpResponse:
    """Give a payer without allowances the published ones."""
    payer = access.payer_or_404(pk)
    source = cited(next(iter(usual_maximums().values())).ref)

    def write() -> str:
        done = service.take_over_published(payer, by=request.staff.user, now=clock.now())
        return f"{done.name} has the published usual maximums now."

    return act(
        request, confirmed(request), write, title=f"Published usual maximums for {payer.name}",
        text=f"{len(usual_maximums())} billing codes, and the published refill rule. Source: {source}.",
        action="Take over these maximums", back_url=reverse("manager:payers"), back_label="Payers",
    )  # fmt: skip


def _published(request: StaffRequest) -> dict[str, object]:
    """The shipped tables, as a page shows them before they are taken over."""
    today = clock.today(request.zone)
    table = [
        Published(code, part_types()[code].name, row.units, row.period.count, row.at_once)
        for code, row in usual_maximums().items()
    ]
    first = next(iter(usual_maximums().values()))
    return {
        "today": today,
        "table": table,
        "source": first.ref,
        "since": first.effective_from,
        "refill": refill_rule_on(today),
    }


def _policy_url(payer: Payer) -> str:
    """Where its allowances and refill rule are shown."""
    return f"{reverse('manager:policy')}?{urlencode({'payer': payer.pk})}"
