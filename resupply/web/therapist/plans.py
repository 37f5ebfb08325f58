"""The clinic's plan of follow-ups, and which payers want patients seen again, and when."""

from functools import partial

from django import forms
from django.contrib import messages
from django.forms import BaseFormSet
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.models import FollowUpPlanVersion, Payer
from resupply.queries import follow_ups as follow_ups_of
from resupply.rules.adherence import shipped
from resupply.rules.follow_ups import FollowUpStep, step_code
from resupply.services import follow_ups as service
from resupply.services import policies
from resupply.services.errors import Refused
from resupply.web import access
from resupply.web.access import StaffRequest, can, may
from resupply.web.act import act
from resupply.web.forms import VoidForm, day_field, show, window_choices
from resupply.web.methods import GET_OR_POST, posted
from resupply.web.wording import day_words

BLANK_STEPS = 2


class StepForm(forms.Form):
    """One step: a name, and the days after the first night (or the fitting) between which it is due."""

    name = forms.CharField(label="Step", max_length=40, required=False)
    from_day = forms.IntegerField(label="From day", required=False, min_value=0, max_value=730)
    to_day = forms.IntegerField(label="To day", required=False, min_value=0, max_value=730)

    def clean(self) -> dict[str, object]:
        """A step has all three, or is left out."""
        data = super().clean() or self.cleaned_data
        given = [data.get(name) not in (None, "") for name in ("name", "from_day", "to_day")]
        if any(given) and not all(given) and not self.errors:
            raise forms.ValidationError("Fill in the name and both days, or leave all three empty.")
        return data


StepFormSet = forms.formset_factory(StepForm, extra=BLANK_STEPS, max_num=20, absolute_max=30)


class PlanForm(forms.Form):
    """From when the plan counts, and why."""

    effective_from = day_field("In force from")
    reason = forms.CharField(
        label="Why",
        max_length=300,
        widget=forms.Textarea({"rows": 2, "class": "form-control"}),
        help_text="It stays on record.",
    )


class ReevaluationForm(forms.Form):
    """Which policy's window a payer's patients have."""

    policy = forms.ChoiceField(label="Policy", required=False, choices=partial(window_choices, "None"))
    first = forms.IntegerField(
        label="First day, where it differs", required=False, min_value=1, max_value=730
    )
    last = forms.IntegerField(label="Last day, where it differs", required=False, min_value=1, max_value=730)


@may("care_plan.version")
@require_GET
def plans(request: StaffRequest) -> HttpResponse:
    """The plan in force, its versions, and what each payer asks for."""
    today = clock.today(request.zone)
    context = {
        "today": today,
        "steps": follow_ups_of.plan_on(today),
        "versions": follow_ups_of.plan_versions(),
        "payers": [(payer, _window_words(payer)) for payer in Payer.objects.all()],
        "rules": shipped()[1].values(),
    }
    return render(request, "therapist/plans.html", context)


@may("care_plan.version")
@GET_OR_POST
def plan_new(request: StaffRequest) -> HttpResponse:
    """A new version of the plan, begun from the one in force.

    Who may change policy drafts it, and sees which visits it moves first.
    """
    if can(request, "policy.change"):
        return redirect("manager:policy_new", "follow_ups")
    today = clock.today(request.zone)
    first = [
        {"name": step.name, "from_day": step.from_day, "to_day": step.to_day}
        for step in follow_ups_of.plan_on(today)
    ]
    sent = posted(request)
    form = PlanForm(sent, initial={"effective_from": today})
    steps = StepFormSet(sent, initial=first, prefix="steps")
    if sent is not None and form.is_valid() and steps.is_valid() and (made := _record(request, form, steps)):
        day = day_words(made.effective_from, today=today)
        messages.success(request, f"Plan recorded, in force from {day}.")
        return redirect("therapist:plans")
    refused = bool(form.is_bound and (form.errors or steps.total_error_count()))
    context = {"today": today, "form": form, "steps": steps}
    return render(request, "therapist/plan_new.html", context, status=422 if refused else 200)


@may("care_plan.version")
@GET_OR_POST
def plan_void(request: StaffRequest, pk: int) -> HttpResponse:
    """Take a version of the plan back with a reason."""
    version = access.follow_up_plan_or_404(pk)
    if can(request, "policy.change"):
        return redirect("manager:policy_void", "follow_ups", version.pk)
    form = VoidForm(posted(request))
    day = day_words(version.effective_from, today=clock.today(request.zone))

    def write() -> str:
        reason = form.cleaned_data["reason"]
        done = service.void_plan(version, reason=reason, by=request.staff.user, now=clock.now())
        return f"Voided: {done.void_reason}. The plan before it counts again."

    return act(
        request, form, write, title=f"Void the plan of {day}", action="Void the plan", danger=True,
        text="The plan before it counts again. Follow-ups on record stay as they are.",
        back_url=reverse("therapist:plans"),
    )  # fmt: skip


@may("care_plan.version")
@GET_OR_POST
def payer_window(request: StaffRequest, pk: int) -> HttpResponse:
    """What one payer asks for: a policy's window, or days of its own."""
    payer = access.payer_or_404(pk)
    first = {
        "policy": payer.reevaluation,
        "first": payer.reevaluation_first,
        "last": payer.reevaluation_last,
    }
    form = ReevaluationForm(posted(request), initial=first)

    def write() -> str:
        data = form.cleaned_data
        done = policies.set_reevaluation(payer, data["policy"], first=data["first"], last=data["last"])
        return f"{done.name}: {_window_words(done)}."

    return act(
        request, form, write, title=f"Re-evaluation: {payer.name}", action="Save the window",
        text="The window follows the policy under which the payer covers the therapy, not the device. "
        "Days are counted from the first night, which is day 1.",
        back_url=reverse("therapist:plans"),
    )  # fmt: skip


def _record(
    request: StaffRequest, form: PlanForm, steps: "BaseFormSet[StepForm]"
) -> FollowUpPlanVersion | None:
    """What the service recorded; None where a form has to be mended, with the error in place."""
    rows = [row for row in steps if row.cleaned_data.get("name")]
    try:
        return service.set_plan(
            [
                FollowUpStep(
                    step_code(row.cleaned_data["name"]),
                    row.cleaned_data["name"].strip(),
                    row.cleaned_data["from_day"],
                    row.cleaned_data["to_day"],
                )
                for row in rows
            ],
            effective_from=form.cleaned_data["effective_from"],
            reason=form.cleaned_data["reason"],
            by=request.staff.user,
            now=clock.now(),
        )
    except Refused as refusal:
        show(refusal, form if refusal.row is None else rows[refusal.row])
        return None


def _window_words(payer: Payer) -> str:
    """What a payer asks for, in words."""
    rule = shipped()[1].get(payer.reevaluation)
    if rule is None:
        return "no re-evaluation asked for"
    first, last = payer.reevaluation_first or rule.first_day, payer.reevaluation_last or rule.last_day
    return f"{rule.name}, day {first} to {last}"
