"""A page of every component in every state, with invented data: for people who build pages. It is served only
where styles are read from their source (`STATIC_FROM_SOURCE=1 make run`), and its pictures are tested.
"""

from types import SimpleNamespace

from django import forms
from django.contrib.messages import constants
from django.contrib.messages.storage.base import Message
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from resupply.web.gallery import charts, lines, samples
from resupply.web.strip import default_window, layout


class SampleForm(forms.Form):
    """One field of each sort."""

    part = forms.ChoiceField(choices=[("", "Choose a part"), ("1", "Nasal cushion, M")])
    quantity = forms.IntegerField(min_value=1, max_value=6, help_text="At most 6 today; 3 are suggested.")
    dispensed_on = forms.DateField(widget=forms.DateInput(attrs={"type": "date"}), required=False)
    reason = forms.CharField(widget=forms.Textarea(attrs={"rows": 2}), required=False)
    told = forms.BooleanField(label="The patient asked for these parts", required=False)


class SampleFilter(forms.Form):
    """What an overdue list is filtered by."""

    location = forms.ChoiceField(choices=[("", "All"), ("n", "North room")], required=False)
    payer = forms.ChoiceField(choices=[("", "All"), ("a", "Payer A")], required=False)
    overdue = forms.IntegerField(label="Days overdue, at least", required=False)


class SampleChoice(forms.Form):
    """One of few, side by side."""

    how = forms.ChoiceField(
        label="How it was asked",
        choices=[("call", "By telephone"), ("desk", "At the desk"), ("mail", "By letter")],
        widget=forms.RadioSelect,
    )


@require_GET
def gallery(request: HttpRequest) -> HttpResponse:
    """Every component; `?page=phone` shows the patient's."""
    today, simple = lines.TODAY, request.GET.get("page") == "phone"
    start, end = default_window(today, simple=simple)
    context = samples.context() | {
        "chart": layout(lines.LINES, today=today, start=start, end=end),
        "odd_chart": layout(lines.ODD_LINES, today=today, start=start, end=end),
        "drafted_chart": layout(lines.DRAFTED_LINES, today=today, start=start, end=end),
    }
    if simple:
        return render(request, "components/gallery_phone.html", context)
    return render(request, "components/gallery.html", context | charts.context() | _forms())


def _forms() -> dict[str, object]:
    """Forms as they open and as they are refused, what was said of an act, and a job at work."""
    wrong = SampleForm({"part": "", "quantity": "-2", "dispensed_on": "2026-02-30"})
    job = SimpleNamespace(public_id=samples.NOBODY, get_state_display="At work", title="The overdue list")
    return {
        "form": SampleForm(),
        "wrong_form": wrong,
        "filter_form": SampleFilter({}),
        "choice": SampleChoice(initial={"how": "call"})["how"],
        "wrong_choice": SampleChoice({})["how"],
        "job": job,
        "said": [
            Message(constants.SUCCESS, "Voided: 3 cushions of Mon 9 Feb.", extra_tags="#"),
            Message(constants.WARNING, "Kept, but the shelf now says minus one."),
        ],
    }
