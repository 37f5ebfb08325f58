"""The filters of the overdue list: no patient data, so that they may stand in an address."""

from collections.abc import Iterable
from datetime import date
from typing import Any

from django import forms
from django.db.models import Q

from resupply.models import Payer, Role, Staff
from resupply.queries.names import staff_name
from resupply.queries.overdue import Coverage, OverdueFilter, Snoozed
from resupply.queries.overdue_filters import Reach
from resupply.rules.kinds import Kind
from resupply.web.forms import AtLocationForm, any_kind, any_location, day_field, dress
from resupply.web.wording import counted

SELF_PAY = "0"
NOBODY = "0"
MORE = ("reach", "coverage", "therapist", "assigned", "snoozed")
"""Fields behind "More filters"."""


class OverdueForm(AtLocationForm):
    """Narrow the list; empty fields do not."""

    location = any_location("All locations")
    payer = forms.ChoiceField(label="Payer", required=False)
    kind = any_kind()
    least = forms.IntegerField(label="Days overdue, from", required=False, min_value=1, max_value=36500)
    most = forms.IntegerField(label="Days overdue, to", required=False, min_value=1, max_value=36500)
    order = forms.ChoiceField(
        label="Order", required=False, choices=[("", "Longest overdue first"), ("recent", "Shortest first")]
    )
    reach = forms.ChoiceField(
        label="Reached",
        required=False,
        choices=[
            ("", "However reached"),
            (Reach.NO_CONSENT.value, "No yes to e-mail or texts"),
            (Reach.NO_ANSWER.value, "Asked, no answer"),
            (Reach.NEVER.value, "Never reached"),
        ],
    )
    coverage = forms.ChoiceField(
        label="Coverage",
        required=False,
        choices=[
            ("", "Open or not"),
            (Coverage.WAITING.value, "Waiting for coverage"),
            (Coverage.OPEN.value, "Open, or not needed"),
        ],
    )
    therapist = forms.ChoiceField(label="Therapist", required=False)
    assigned = forms.ChoiceField(label="Assigned to", required=False)
    snoozed = forms.ChoiceField(
        label="Snoozed",
        required=False,
        choices=[
            ("", "Leave them out"),
            (Snoozed.ONLY.value, "Only those"),
            (Snoozed.TOO.value, "Show them too"),
        ],
    )

    def __init__(self, *args: Any, staff: Iterable[Staff], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        people = list(staff)
        fitters = [one for one in people if one.role in (Role.THERAPIST, Role.ADMINISTRATOR)]
        payers = [(str(payer.pk), payer.name) for payer in Payer.objects.all()]
        self._choose("payer", ("", "All payers"), *payers, (SELF_PAY, "The patient pays"))
        self._choose("therapist", ("", "All therapists"), *map(_named, fitters))
        self._choose("assigned", ("", "Anybody or nobody"), (NOBODY, "Nobody"), *map(_named, people))
        dress(self)

    def _choose(self, field: str, *choices: tuple[str, str]) -> None:
        self.fields[field].choices = choices  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        """A range runs upwards."""
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        least, most = cleaned.get("least"), cleaned.get("most")
        if least and most and least > most:
            self.add_error("most", "Enter a number that is not below the first.")
        return cleaned

    def wanted(self, location_ids: frozenset[int]) -> OverdueFilter:
        """What the list is narrowed to, within the locations one may see (empty: all); once validated."""
        data = self.cleaned_data
        place = data.get("location")
        return OverdueFilter(
            location_ids=frozenset({place.pk}) if place else location_ids or None,
            payer_id=_number(data.get("payer")),
            kind=Kind(data["kind"]) if data.get("kind") else None,
            least_days=data.get("least"),
            most_days=data.get("most"),
            coverage=Coverage(data["coverage"]) if data.get("coverage") else None,
            reach=Reach(data["reach"]) if data.get("reach") else None,
            therapist_id=_number(data.get("therapist")),
            assigned_id=_number(data.get("assigned")),
            snoozed=Snoozed(data.get("snoozed") or ""),
        )

    @property
    def longest_first(self) -> bool:
        """Which way the list runs."""
        return self.cleaned_data.get("order") != "recent"

    @property
    def usual(self) -> list[forms.BoundField]:
        """The fields that always show."""
        return [self[name] for name in self.fields if name not in MORE]

    @property
    def more(self) -> list[forms.BoundField]:
        """The fields behind "More filters"."""
        return [self[name] for name in MORE]

    @property
    def has_more(self) -> bool:
        """Whether one of those is in use."""
        return any(self.cleaned_data.get(name) for name in MORE)

    def words(self) -> list[str]:
        """What the list is narrowed to, in words."""
        data, said = self.cleaned_data, []
        for name, field in self.fields.items():
            if name == "order" or not data.get(name):
                continue
            if name in ("least", "most"):
                said.append(f"overdue at {name} {counted(data[name], 'day')}")
            elif name == "location":
                said.append(str(data[name]))
            else:
                shown = dict(field.choices)[data[name]]  # type: ignore[attr-defined]
                said.append(f"{field.label}: {shown}" if name in MORE else str(shown))
        return said


class ViewNameForm(forms.Form):
    """The name of a saved view."""

    name = forms.CharField(label="Name", max_length=60, widget=forms.TextInput({"autocomplete": "off"}))


class PastDayForm(AtLocationForm):
    """The list as of a past day."""

    day = day_field("As of the end of", help_text="A day that has passed.")
    form = forms.ChoiceField(
        label="File",
        choices=[("xlsx", "Workbook (.xlsx)"), ("csv", "CSV")],
        widget=forms.RadioSelect,
        initial="xlsx",
    )
    location = any_location("All my locations")

    def __init__(self, *args: Any, today: date, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.today = today

    def clean_day(self) -> date:
        """Only the past is known."""
        day: date = self.cleaned_data["day"]
        if day >= self.today:
            raise forms.ValidationError("Enter a day before today. The list itself shows today.")
        return day


class AssignForm(forms.Form):
    """Who is to look after lines."""

    assigned_to = forms.ChoiceField(label="Who looks after these lines", required=True)

    def __init__(self, *args: Any, staff: Iterable[Staff], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        choices = [("", "Choose"), *map(_named, staff), (NOBODY, "Nobody any more")]
        self.fields["assigned_to"].choices = choices  # type: ignore[attr-defined]


class NoteForm(forms.Form):
    """A note for lines."""

    note = forms.CharField(
        label="Note",
        max_length=300,
        help_text="Staff read it beside each line until the part is dispensed.",
        widget=forms.TextInput({"autocomplete": "off"}),
    )


class SnoozeForm(forms.Form):
    """Until when lines leave the list, and why."""

    until = day_field("Back on the list on", help_text="A day after today, within half a year.")
    note = forms.CharField(label="Reason", max_length=300, widget=forms.TextInput({"autocomplete": "off"}))


def staff_of(location_ids: frozenset[int]) -> Iterable[Staff]:
    """Active staff who work at some of these locations (empty: all staff), by name."""
    staff = Staff.objects.filter(user__is_active=True).select_related("user")
    if location_ids:
        staff = staff.filter(Q(locations=None) | Q(locations__in=sorted(location_ids))).distinct()
    return sorted(staff, key=lambda one: _named(one)[1].casefold())


def _named(staff: Staff) -> tuple[str, str]:
    """A choice: the key of the user, and the name."""
    return str(staff.user_id), staff_name(staff.user)


def _number(text: str | None) -> int | None:
    return int(text) if text else None
