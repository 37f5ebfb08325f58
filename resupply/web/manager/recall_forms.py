"""Forms of recalls. They check shape; the service decides."""

from collections.abc import Iterable
from functools import partial
from typing import Any

from django import forms

from resupply.models import AnswerChannel, CatalogueItem, RecallOutcome
from resupply.services.recalls import RecallDetails
from resupply.web.forms import SuggestingInput, code_choices, day_field


class RecallForm(forms.Form):
    """A recall as its notice says it; `details()` is what the service takes."""

    title = forms.CharField(label="Title", max_length=160, help_text="As the notice names it.")
    issued_on = day_field("Issued on")
    source = forms.CharField(
        label="Source",
        max_length=200,
        help_text="Who ordered it: the regulator's notice or the maker's letter.",
    )
    item = forms.ModelChoiceField(
        CatalogueItem.objects.order_by("name", "size"),
        label="Item",
        required=False,
        empty_label="Any item",
        help_text="Of item, family, code and lot, fill what the notice names. Each one narrows it.",
    )
    family = forms.CharField(label="Mask family", max_length=60, required=False, widget=SuggestingInput)
    part_code = forms.ChoiceField(
        label="Billing code", required=False, choices=partial(code_choices, "Any code")
    )
    lot = forms.CharField(
        label="Lot",
        max_length=40,
        required=False,
        help_text="One lot a recall. Without a lot, every lot is stopped, unknown ones too.",
    )
    given_from = day_field(
        "Dispensed from",
        required=False,
        help_text="Where the notice names days: they narrow who is told. What is stopped stays stopped.",
    )
    given_until = day_field("Dispensed until", required=False)
    advice = forms.CharField(
        label="Advice",
        max_length=2000,
        required=False,
        widget=forms.Textarea({"rows": 4}),
        help_text="What the notice asks the clinic and the patient to do.",
    )

    def __init__(self, *args: Any, families: Iterable[str], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["family"].widget.words = families

    def details(self) -> RecallDetails:
        """The recall typed; only for a valid form."""
        return RecallDetails(**{name: self.cleaned_data[name] for name in RecallDetails.__slots__})


class CloseForm(forms.Form):
    """A word on how it ended."""

    note = forms.CharField(
        label="Note", max_length=300, required=False, widget=forms.Textarea({"rows": 2}),
        help_text="What the file should say, such as whom the numbers were reported to.",
    )  # fmt: skip


class ContactForm(forms.Form):
    """What came of a contact about a recall."""

    outcome = forms.ChoiceField(label="What came of it", choices=[("", "Choose"), *RecallOutcome.choices])
    channel = forms.ChoiceField(
        label="How",
        required=False,
        choices=[("", "Choose"), *AnswerChannel.choices],
        help_text="Leave it out for a write-off.",
    )
    on = day_field("Day")
    note = forms.CharField(
        label="Note",
        max_length=500,
        required=False,
        widget=forms.Textarea({"rows": 2}),
        help_text="A write-off needs the reason here.",
    )
