"""What all forms share: a day is asked for as a date, and a service's refusal appears at its field."""

from collections.abc import Callable, Iterable
from typing import Any, TypeVar
from zoneinfo import available_timezones

from django import forms
from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString

from resupply.services.errors import Refused

T = TypeVar("T")


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


class VoidForm(forms.Form):
    """Why a record is taken back."""

    reason = forms.CharField(
        label="Reason", max_length=300, widget=forms.Textarea({"rows": 2}), help_text="It stays on record."
    )


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
