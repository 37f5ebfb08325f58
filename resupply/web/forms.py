"""What all forms share: a day is asked for as a date, and a service's refusal appears at its field."""

from collections.abc import Callable, Iterable
from typing import Any, TypeVar
from zoneinfo import available_timezones

from django import forms
from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString

from resupply.models import Location
from resupply.rules.adherence import shipped
from resupply.rules.kinds import Kind
from resupply.rules.tables import part_types
from resupply.services.errors import Refused
from resupply.web.wording import kind_word

T = TypeVar("T")
UNIT_CHOICES = [("day", "days"), ("week", "weeks"), ("month", "months")]
"""What a period is counted in."""


class DayInput(forms.DateInput):
    """The browser's own date field; it speaks ISO whatever it shows."""

    input_type = "date"

    def __init__(self, attrs: dict[str, Any] | None = None) -> None:
        super().__init__(attrs, format="%Y-%m-%d")


class SuggestingInput(forms.TextInput):
    """A text field that offers words and takes others too (HTML `datalist`); set `words` before rendering."""

    def __init__(self, attrs: dict[str, Any] | None = None) -> None:
        super().__init__(attrs)
        self.words: Iterable[str] = ()

    def get_context(self, name: str, value: Any, attrs: dict[str, Any] | None) -> dict[str, Any]:
        """The field's context, naming the list that follows it."""
        return super().get_context(name, value, {**(attrs or {}), "list": f"{name}-words"})

    def render(
        self, name: str, value: Any, attrs: dict[str, Any] | None = None, renderer: Any = None
    ) -> SafeString:
        """The field, and the words behind it."""
        field = super().render(name, value, attrs, renderer)
        options = format_html_join("", '<option value="{}">', ((word,) for word in self.words))
        return format_html('{}<datalist id="{}-words">{}</datalist>', field, name, options)


class AtLocationForm(forms.Form):
    """A form that asks for a `location`, one of those it is given."""

    def __init__(self, *args: Any, locations: Iterable[Location], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["location"].queryset = locations  # type: ignore[attr-defined]


class HandledForm(forms.Form):
    """What was done about something that waited for a person."""

    note = forms.CharField(label="What was done", max_length=300)

    def __init__(self, *args: Any, example: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["note"].help_text = f"For example: {example}."


class VoidForm(forms.Form):
    """Why a record is taken back."""

    reason = forms.CharField(
        label="Reason", max_length=300, widget=forms.Textarea({"rows": 2}), help_text="It stays on record."
    )


def dress(form: forms.Form) -> None:
    """Give fields that a page draws one by one the looks that those of a whole form have."""
    for field in form.fields.values():
        css = "form-select" if isinstance(field, forms.ChoiceField) else "form-control"
        field.widget.attrs["class"] = css


def any_location(words: str) -> "forms.ModelChoiceField[Location]":
    """The location that a list is narrowed to; `words` stand for all of them."""
    return forms.ModelChoiceField(
        Location.objects.none(), label="Location", required=False, empty_label=words
    )


def any_kind() -> forms.ChoiceField:
    """The kind of part that a list is narrowed to."""
    kinds = ((kind.value, kind_word(kind)) for kind in Kind)
    return forms.ChoiceField(label="Part", required=False, choices=[("", "All parts"), *kinds])


def code_choices(none: str) -> list[tuple[str, Any]]:
    """Billing codes in groups by kind of part: choosing one chooses the kind; `none` stands for no choice."""
    groups = [
        (
            kind_word(kind),
            [(code, f"{code} {part.name}") for code, part in part_types().items() if part.kind is kind],
        )
        for kind in Kind
    ]
    return [("", none), *groups]


def window_choices(none: str) -> list[tuple[str, str]]:
    """Policies that want patients seen again in the first months, each with its days; `none`: no such."""
    rules = shipped()[1].values()
    return [
        ("", none),
        *((one.policy, f"{one.name}: day {one.first_day} to {one.last_day}") for one in rules),
    ]


def day_field(label: str, **over: Any) -> forms.DateField:
    """A calendar date."""
    return forms.DateField(label=label, widget=DayInput(), **over)


def zones() -> list[tuple[str, str]]:
    """Zones that name a place (and UTC), for a choice: the others are old spellings of these."""
    return [
        (zone, zone.replace("_", " "))
        for zone in sorted(available_timezones())
        if "/" in zone or zone == "UTC"
    ]


def written(form: forms.BaseForm, write: Callable[[], T]) -> T | None:
    """What `write` returns for a valid form; None where the form or the service refuses, with the errors
    shown.
    """
    if not form.is_valid():
        return None
    try:
        return write()
    except Refused as refusal:
        show(refusal, form)
        return None


def show(refusal: Refused, form: forms.BaseForm) -> None:
    """Put a refusal at its field, or above the form where it names none of this form's."""
    form.add_error(refusal.field if refusal.field in form.fields else None, refusal.message)
