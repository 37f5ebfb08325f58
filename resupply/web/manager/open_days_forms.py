"""Forms of open days. They check shape; the service decides."""

from typing import Any

from django import forms
from django.db.models import QuerySet

from resupply.models import Location
from resupply.services.open_days import LONGEST_REASON
from resupply.web.forms import day_field
from resupply.web.wording import WEEKDAYS


def weekdays_said(digits: str) -> str:
    """Open weekdays in words: `Monday to Friday`, `Monday, Wednesday`, `every day`."""
    days = [int(digit) for digit in digits]
    if len(days) == 7:
        return "every day"
    if len(days) > 2 and days == list(range(days[0], days[-1] + 1)):
        return f"{WEEKDAYS[days[0]]} to {WEEKDAYS[days[-1]]}"
    return ", ".join(WEEKDAYS[day] for day in days)


class WeekdaysForm(forms.Form):
    """The weekdays on which parts go out."""

    weekdays = forms.MultipleChoiceField(
        label="Parts are given and shipped on",
        choices=[(str(day), name) for day, name in enumerate(WEEKDAYS)],
        widget=forms.CheckboxSelectMultiple,
        error_messages={"required": "Choose at least one weekday on which parts go out."},
    )


class DayOffForm(forms.Form):
    """A day on which locations are closed."""

    day = day_field("Day")
    reason = forms.CharField(
        label="Reason", max_length=LONGEST_REASON, help_text="A holiday, a day for training."
    )
    locations = forms.ModelMultipleChoiceField(
        Location.objects.none(), label="Closed locations", widget=forms.CheckboxSelectMultiple
    )

    def __init__(self, *args: Any, locations: "QuerySet[Location]", **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["locations"]
        if isinstance(field, forms.ModelMultipleChoiceField):
            field.queryset, field.initial = locations, list(locations)
