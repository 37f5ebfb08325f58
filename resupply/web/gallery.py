"""A page of every component in its states, with invented data: for people who build pages. Demo only."""

from django import forms
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from resupply.web import gallery_samples as samples
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


def gallery(request: HttpRequest) -> HttpResponse:
    """Every component; `?page=phone` shows the patient's."""
    today, simple = samples.TODAY, request.GET.get("page") == "phone"
    start, end = default_window(today, simple=simple)
    context = samples.context() | {
        "today": today,
        "chart": layout(samples.LINES, today=today, start=start, end=end),
        "odd_chart": layout(samples.ODD_LINES, today=today, start=start, end=end),
        "form": SampleForm(),
        "wrong_form": SampleForm({"part": "", "quantity": "-2", "dispensed_on": "2026-02-30"}),
        "filter_form": SampleFilter({}),
    }
    return render(request, f"components/gallery{'_phone' if simple else ''}.html", context)
