"""Forms of a patient's own page. Labels and refusals come from its words; shapes only, as everywhere."""

from collections.abc import Iterable
from datetime import date
from typing import Any

from django import forms

from resupply.delivery.calendar_words import KINDS
from resupply.models import Subscription
from resupply.rules.kinds import Kind
from resupply.rules.magnets import Person, implants
from resupply.rules.patient_page import WEEKDAYS, said_hour, words
from resupply.services.feeds import Options

NOTE_LENGTH = 500


class OwnForm(forms.Form):
    """A form in the patient's language; every field says what to do in the page's own words."""

    def __init__(self, *args: Any, language: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.said = words(language)
        for field in self.fields.values():
            field.error_messages |= {
                "required": self.said["choose"],
                "invalid_choice": self.said["choose"],
                "max_length": self.said["too_long"],
            }
            widget = field.widget
            if isinstance(widget, forms.Select) and not isinstance(widget, forms.RadioSelect):
                widget.attrs["class"] = "form-select"
            elif isinstance(widget, forms.TextInput | forms.Textarea | forms.NumberInput):
                widget.attrs["class"] = "form-control"

    def _choose(self, name: str, choices: Iterable[tuple[str, str]]) -> None:
        self.fields[name].choices = list(choices)  # type: ignore[attr-defined]

    def _label(self, **labels: str) -> None:
        for name, key in labels.items():
            self.fields[name].label = self.said[key]


class BirthForm(OwnForm):
    """A date of birth in three numbers; what is no date is a wrong one."""

    month = forms.CharField(max_length=2, required=False)
    day = forms.CharField(max_length=2, required=False)
    year = forms.CharField(max_length=4, required=False)

    def __init__(self, *args: Any, language: str, **kwargs: Any) -> None:
        super().__init__(*args, language=language, **kwargs)
        self._label(month="born_month", day="born_day", year="born_year")
        for name, field in self.fields.items():
            field.widget.attrs |= {"inputmode": "numeric", "autocomplete": f"bday-{name}"}
        if language == "es":
            self.order_fields(["day", "month", "year"])

    def birth_date(self) -> date | None:
        """The day typed; None where it is none."""
        try:
            return date(*(int(self.cleaned_data.get(name) or 0) for name in ("year", "month", "day")))
        except ValueError:
            return None


class NoteForm(OwnForm):
    """A note, if one wishes."""

    note = forms.CharField(max_length=NOTE_LENGTH, required=False, widget=forms.Textarea({"rows": 3}))

    def __init__(self, *args: Any, language: str, label: str, **kwargs: Any) -> None:
        super().__init__(*args, language=language, **kwargs)
        self._label(note=label)


class PartForm(OwnForm):
    """Which of the patient's parts."""

    kind = forms.ChoiceField(widget=forms.RadioSelect)

    def __init__(self, *args: Any, language: str, kinds: Iterable[Kind], **kwargs: Any) -> None:
        super().__init__(*args, language=language, **kwargs)
        self._label(kind="changed_about")
        self._choose("kind", ((kind.value, KINDS[language][kind].capitalize()) for kind in kinds))


class ImplantForm(OwnForm):
    """Whose implant or object, and which; those that magnets do not affect are no choice."""

    person = forms.ChoiceField(widget=forms.RadioSelect)
    implant = forms.ChoiceField(widget=forms.RadioSelect)

    def __init__(self, *args: Any, language: str, **kwargs: Any) -> None:
        super().__init__(*args, language=language, **kwargs)
        self._label(person="whose", implant="which")
        self._choose(
            "person", [(Person.WEARER, self.said["mine"]), (Person.CLOSE_CONTACT, self.said["theirs"])]
        )
        asked = [(code, one.plain[language]) for code, one in implants().items() if not one.exempt]
        self._choose("implant", asked)


class DaysForm(OwnForm):
    """The days of the weekly and monthly checklists, and the hour of all."""

    weekday = forms.TypedChoiceField(coerce=int)
    month_day = forms.TypedChoiceField(coerce=int)
    hour = forms.TypedChoiceField(coerce=int, empty_value=None, required=False)

    def __init__(self, *args: Any, language: str, **kwargs: Any) -> None:
        super().__init__(*args, language=language, **kwargs)
        self._label(weekday="weekday", month_day="month_day", hour="hour")
        self.fields["month_day"].help_text = self.said["short_month"]
        days = ((str(n), name.capitalize()) for n, name in enumerate(WEEKDAYS[language]))
        self._choose("weekday", days)
        self._choose("month_day", ((str(n), str(n)) for n in range(1, 32)))
        self._choose("hour", [("", self.said["no_hour"]), *_hours(language)])


CALENDAR_CHOICES = {
    "with_changes": "calendar_changes",
    "with_refills": "calendar_refills",
    "with_daily": "calendar_daily",
    "with_weekly": "calendar_weekly",
    "with_monthly": "calendar_monthly",
}
"""What a calendar can show: the field, and the key of its words."""


class OwnCalendarForm(OwnForm):
    """What a calendar link shows."""

    with_changes = forms.BooleanField(required=False, initial=True)
    with_refills = forms.BooleanField(required=False, initial=True)
    with_daily = forms.BooleanField(required=False, initial=True)
    with_weekly = forms.BooleanField(required=False, initial=True)
    with_monthly = forms.BooleanField(required=False, initial=True)
    detailed = forms.ChoiceField(widget=forms.RadioSelect, initial="no")
    alarm_hour = forms.TypedChoiceField(coerce=int, empty_value=None, required=False)

    def __init__(self, *args: Any, language: str, **kwargs: Any) -> None:
        super().__init__(*args, language=language, **kwargs)
        self._label(**CALENDAR_CHOICES, detailed="calendar_words", alarm_hour="calendar_alarm")
        self.fields["alarm_hour"].help_text = self.said["calendar_alarm_about"]
        self._choose("detailed", [("no", self.said["calendar_plain"]), ("yes", self.said["calendar_detail"])])
        self._choose("alarm_hour", [("", self.said["calendar_no_alarm"]), *_hours(language)])

    @property
    def shows(self) -> list[forms.BoundField]:
        """The boxes of what it shows."""
        return [self[name] for name in CALENDAR_CHOICES]

    @staticmethod
    def first(calendar: Subscription) -> dict[str, object]:
        """What the form opens on where a calendar is changed."""
        shown: dict[str, object] = {name: getattr(calendar, name) for name in CALENDAR_CHOICES}
        hour = "" if calendar.alarm_hour is None else calendar.alarm_hour
        return shown | {"detailed": "yes" if calendar.detailed else "no", "alarm_hour": hour}

    def options(self, label: str = "") -> Options:
        """The choices made; only for a valid form."""
        chosen = dict(self.cleaned_data)
        return Options(label=label, detailed=chosen.pop("detailed") == "yes", **chosen)


def _hours(language: str) -> list[tuple[str, str]]:
    """The hours of a day as choices."""
    return [(str(hour), said_hour(hour, language)) for hour in range(24)]
