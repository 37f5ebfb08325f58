"""Forms of a fitting: a mask tried on with its leak map, and how the fitting ended."""

from collections.abc import Iterable, Sequence
from typing import Any

from django import forms

from resupply.models import BodyPosition, CatalogueItem, FittingOutcome, FittingTry, Location
from resupply.rules import fitting
from resupply.web.forms import AtLocationForm, SuggestingInput, day_field
from resupply.web.therapist.leak_map import leak_fields


class BeginForm(AtLocationForm):
    """Where and when a patient is fitted."""

    fitted_on = day_field("Day of the fitting")
    location = forms.ModelChoiceField(Location.objects.none(), label="Location", empty_label=None)


class TryForm(forms.Form):
    """A mask on the face: which, what size, at what pressure, how the patient lay, where it leaks."""

    item = forms.ChoiceField(label="Mask")
    size = forms.CharField(label="Size", max_length=20, required=False, widget=SuggestingInput)
    pressure = forms.DecimalField(
        label="Pressure at the check, cmH2O",
        required=False,
        min_value=0,
        max_value=40,
        max_digits=4,
        decimal_places=1,
        widget=forms.NumberInput({"step": "0.5", "inputmode": "decimal"}),
    )
    lying = forms.ChoiceField(
        label="The patient lies", choices=BodyPosition.choices, widget=forms.RadioSelect, initial="back"
    )
    next_change = forms.CharField(label="What to change next", max_length=300, required=False)

    def __init__(self, *args: Any, masks: Sequence[CatalogueItem], style: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.style = style
        self.fields["item"].choices = [  # type: ignore[attr-defined]
            ("", "Choose a mask"),
            *((str(mask.pk), str(mask)) for mask in masks),
        ]
        self.fields |= leak_fields(style)

    def suggest(self, sizes: Iterable[str]) -> None:
        """Sizes offered for the mask chosen."""
        self.fields["size"].widget.words = sizes

    def leaks(self) -> dict[str, str]:
        """The places marked; only for a valid form."""
        sites = fitting.sites(self.style) if self.style else ()
        return {site: self.cleaned_data[f"leak_{site}"] for site in sites}


class EndForm(forms.Form):
    """How a fitting ended."""

    outcome = forms.ChoiceField(label="Outcome", choices=FittingOutcome.choices, widget=forms.RadioSelect)
    kept = forms.ChoiceField(label="Which try was kept", required=False)
    note = forms.CharField(
        label="Note",
        max_length=500,
        required=False,
        widget=forms.Textarea({"rows": 2, "class": "form-control"}),
    )

    def __init__(self, *args: Any, tries: Sequence[FittingTry], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        words = [(str(made.position), f"{made.position}: {made.item} {made.size}".strip()) for made in tries]
        self.fields["kept"].choices = [("", "None"), *words]  # type: ignore[attr-defined]
