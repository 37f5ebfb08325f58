"""When and how often messages go out: the versions, a new one with its reason, one taken back."""

from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_http_methods

from resupply import clock
from resupply.models import MessageTermsVersion
from resupply.queries import message_terms as queries
from resupply.rules.message_terms import LONGEST_AHEAD, LONGEST_WAIT, MOST_A_WEEK, MessageTerms
from resupply.services import message_terms as service
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.forms import written
from resupply.web.wording import day_words

GET_OR_POST = require_http_methods(["GET", "POST"])
_HOURS = [(f"{hour:02}:00", f"{hour:02}:00") for hour in range(8, 22)]


class TermsForm(forms.Form):
    """A version of the terms."""

    effective_from = forms.DateField(label="From", widget=forms.DateInput(attrs={"type": "date"}))
    opens = forms.ChoiceField(label="Messages go out from", choices=_HOURS[:-1])
    closes = forms.ChoiceField(label="until", choices=_HOURS[1:])
    per_week = forms.IntegerField(
        label="At most, in any seven days", min_value=1, max_value=MOST_A_WEEK,
        help_text="One a day and three a week are the most that is allowed.",
    )  # fmt: skip
    second_ask_days = forms.IntegerField(
        label="Days until a question is asked once more", min_value=1, max_value=LONGEST_WAIT
    )
    link_ahead_days = forms.IntegerField(
        label="Days before the end of a link at which it is written about", min_value=1,
        max_value=LONGEST_AHEAD,
    )  # fmt: skip
    reason = forms.CharField(label="Reason", max_length=300)


class VoidTermsForm(forms.Form):
    """Why a version is taken back."""

    reason = forms.CharField(label="Reason", max_length=300)


@may("message_terms.see")
@require_GET
def message_terms(request: StaffRequest) -> HttpResponse:
    """The terms in force, and every version."""
    today = clock.today(request.zone)
    context = {
        "today": today,
        "now": queries.schedule().on(today),
        "versions": queries.versions(),
    }
    return render(request, "manager/message_terms.html", context)


@may("message_terms.see")
@GET_OR_POST
def new(request: StaffRequest) -> HttpResponse:
    """Plan a version from a day on."""
    today = clock.today(request.zone)
    form = TermsForm(
        request.POST if request.method == "POST" else None,
        initial=_first(queries.schedule().on(today), today),
    )

    def write() -> MessageTermsVersion:
        data = dict(form.cleaned_data)
        for name in ("opens", "closes"):
            data[name] = forms.TimeField().clean(data[name])
        return service.plan_terms(**data, by=request.staff.user, today=today, now=clock.now())

    if request.method == "POST" and (version := written(form, write)):
        messages.success(request, f"Planned from {day_words(version.effective_from, today=today)}.")
        return redirect("manager:message_terms")
    return _asked(
        request, form, title="Plan other hours or numbers", action="Plan it",
        text="Hours are those of the patient's own clock. Messages that wait already keep to theirs.",
    )  # fmt: skip


@may("message_terms.see")
@GET_OR_POST
def void(request: StaffRequest, pk: int) -> HttpResponse:
    """Take a version back with a reason."""
    version = access.message_terms_or_404(pk)
    form = VoidTermsForm(request.POST if request.method == "POST" else None)

    def write() -> bool:
        service.void_terms(
            version, reason=form.cleaned_data["reason"], by=request.staff.user, now=clock.now()
        )
        return True

    if request.method == "POST" and written(form, write):
        messages.success(request, "Taken back. The version before holds.")
        return redirect("manager:message_terms")
    return _asked(
        request, form, title="Take back a version", action="Take it back",
        text="What was sent stays as it was sent.",
    )  # fmt: skip


def _first(terms: MessageTerms, today: Any) -> dict[str, object]:
    return {
        "effective_from": today,
        "opens": f"{terms.hours.opens:%H:%M}",
        "closes": f"{terms.hours.closes:%H:%M}",
        "per_week": terms.per_week,
        "second_ask_days": terms.second_ask_days,
        "link_ahead_days": terms.link_ahead_days,
    }


def _asked(request: StaffRequest, form: forms.Form, **words: str) -> HttpResponse:
    context = words | {
        "form": form,
        "today": clock.today(request.zone),
        "back_url": reverse("manager:message_terms"),
        "back_label": "Hours and numbers of messages",
    }
    return render(request, "act.html", context, status=422 if form.errors else 200)
