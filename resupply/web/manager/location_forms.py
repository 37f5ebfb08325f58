"""Forms of locations, and their changes in words. They check shape; the service decides."""

from collections.abc import Iterable
from typing import Any

from django import forms
from django.utils.functional import lazy

from resupply.models import Location
from resupply.queries.row_changes import Change
from resupply.services.locations import WORKDAYS, LocationDetails
from resupply.web.forms import zones
from resupply.web.manager.item_words import ChangeWords, told
from resupply.web.manager.open_days_forms import WeekdaysForm, weekdays_said
from resupply.web.wording import day_words

_LABELS = {
    "name": "Name",
    "time_zone": "Time zone",
    "phone": "Phone",
    "address": "Address",
    "open_weekdays": "Open",
    "tracks_stock": "Tracks stock",
    "closed_on": "Closed on",
}


def _choices() -> list[tuple[str, str]]:
    return [("", "Choose the zone of the place"), *zones()]


class LocationForm(forms.Form):
    """What is typed about a location."""

    name = forms.CharField(label="Name", max_length=80, help_text="As patients and staff know it.")
    time_zone = forms.ChoiceField(
        label="Time zone",
        choices=lazy(_choices, list)(),
        help_text="By a city with the same clocks, such as America/Denver. It dates what is dispensed here.",
    )
    phone = forms.CharField(
        label="Phone",
        max_length=40,
        required=False,
        help_text="Patients are asked to call it: every reminder names it.",
    )
    address = forms.CharField(
        label="Address",
        required=False,
        widget=forms.Textarea({"rows": 3}),
        help_text="Stands on slips.",
    )

    def details(self) -> LocationDetails:
        """The details typed; only for a valid form."""
        return LocationDetails(**{name: self.cleaned_data[name] for name in LocationDetails.__slots__})

    @staticmethod
    def initial_of(location: Location) -> dict[str, Any]:
        """What the form shows of a location on record."""
        return {name: getattr(location, name) for name in LocationDetails.__slots__}


class NewLocationForm(WeekdaysForm, LocationForm):
    """A new location, with the weekdays on which parts go out."""

    field_order = ("name", "time_zone", "phone", "address", "weekdays")

    @staticmethod
    def first(zone: str) -> dict[str, Any]:
        """What the empty form starts with."""
        return {"time_zone": zone, "weekdays": [str(day) for day in sorted(WORKDAYS)]}


def changes_said(changes: Iterable[Change]) -> list[ChangeWords]:
    """The changes of a location as they are shown, newest first."""
    return told(changes, _LABELS, _value)


def _value(name: str, value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if value in (None, ""):
        return "none"
    if name == "closed_on":
        return day_words(value, today=None)
    return weekdays_said(value) if name == "open_weekdays" else str(value)
