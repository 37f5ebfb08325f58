"""Forms about what was dispensed: taken back, exchanged, undelivered, signed for. They check shape."""

from collections.abc import Iterable
from datetime import date
from typing import Any

from django import forms

from resupply.models import CatalogueItem, Given, Notice, Parcel, ProofMethod
from resupply.services.exchanges import Replacement
from resupply.services.proofs import NewProof
from resupply.web.forms import SuggestingInput, VoidForm, day_field

DISCARDED, SHELF = "discarded", "shelf"
_PARTS = [
    (DISCARDED, "Discarded: opened or used, so they go to nobody else"),
    (SHELF, "Back on the shelf: unopened, or never handed over"),
]
_RELATIONS = ("self", "spouse", "parent", "child", "sibling", "carer", "neighbour")


def _parts_field(initial: str) -> forms.ChoiceField:
    """Where parts go that come back; stock follows."""
    return forms.ChoiceField(
        label="The parts", choices=_PARTS, initial=initial, required=False, widget=forms.RadioSelect
    )


class _Returning(forms.Form):
    """A form that may ask where the parts go: only where the location tracks stock."""

    def __init__(self, *args: Any, tracks_stock: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if not tracks_stock:
            del self.fields["parts"]

    @property
    def to_shelf(self) -> bool:
        """Whether the parts lie on the shelf again."""
        return self.cleaned_data.get("parts") == SHELF


class TakeBackForm(_Returning, VoidForm):
    """Why a dispense or a line is taken back, and where its parts go."""

    parts = _parts_field(DISCARDED)


class ParcelForm(_Returning):
    """What became of a parcel."""

    parcel = forms.ChoiceField(label="The parcel", choices=Parcel.choices, widget=forms.RadioSelect)
    on = day_field("Known since", help_text="The day it came back, or counts as lost.")
    parts = _parts_field(SHELF)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if "parts" in self.fields:
            self.fields["parts"].help_text = "Of a parcel that came back. What is lost stays off the shelf."


class ExchangeForm(_Returning):
    """Another item for the one given: what comes back, and what goes out."""

    item = forms.ModelChoiceField(
        CatalogueItem.objects.none(), label="Part that goes out", empty_label="Choose the part"
    )
    reason = forms.CharField(
        label="Reason", max_length=280, widget=SuggestingInput, help_text="It stays on record."
    )
    on = day_field("Exchanged on")
    parts = _parts_field(DISCARDED)
    lot = forms.CharField(label="Lot", max_length=40, required=False, widget=SuggestingInput)
    expires_on = day_field("Expires", required=False)
    serial = forms.CharField(label="Serial number", max_length=40, required=False)
    size_kept = forms.CharField(
        label="Size kept",
        max_length=20,
        required=False,
        help_text="Of a fit pack: the size the patient keeps.",
    )
    allow_short = forms.BooleanField(label="Log what is not in stock on record anyway", required=False)
    exception_reason = forms.CharField(
        label="Reason for an exception",
        max_length=300,
        required=False,
        help_text="Only where it lies outside the limits: the payer may deny it. An exception of the first "
        "part carries over by itself.",
    )
    notice = forms.ChoiceField(
        label="Written notice to the patient", required=False, choices=[("", "Choose"), *Notice.choices]
    )
    notice_on = day_field("Notice given on", required=False)
    form_key = forms.UUIDField(required=False, widget=forms.HiddenInput)

    def __init__(
        self, *args: Any, items: Iterable[CatalogueItem], lots: Iterable[str], **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.fields["item"].queryset = items  # type: ignore[attr-defined]
        self.fields["lot"].widget.words = lots
        self.fields["reason"].widget.words = ("too small", "too large", "wrong part packed", "faulty")
        if "parts" not in self.fields:
            del self.fields["allow_short"]

    def replacement(self) -> Replacement:
        """What goes out; only for a valid form."""
        data = self.cleaned_data
        return Replacement(**{name: data[name] for name in Replacement.__slots__})


class SignForm(forms.Form):
    """Who took the parts, when, and how that is known."""

    method = forms.ChoiceField(label="How it is known", choices=ProofMethod.choices)
    delivered_on = day_field("Received on")
    signed_by = forms.CharField(
        label="Signed by",
        max_length=160,
        required=False,
        widget=SuggestingInput,
        help_text="The name as printed on the slip.",
    )
    relation = forms.CharField(
        label="Relation to the patient",
        max_length=80,
        required=False,
        widget=SuggestingInput,
        help_text="“self” for the patient. Never the supplier, its staff, or anyone with a financial "
        "interest.",
    )
    record = forms.CharField(
        label="Record",
        max_length=120,
        required=False,
        help_text="Of a carrier: its confirmation of delivery. Of a facility: where it noted that this "
        "patient got the parts.",
    )

    def __init__(
        self, *args: Any, given: str, names: Iterable[str], relations: Iterable[str], **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.fields["signed_by"].widget.words = [name for name in names if name]
        known = [relation for relation in relations if relation]
        self.fields["relation"].widget.words = list(dict.fromkeys([*_RELATIONS, *known]))
        if given == Given.IN_PERSON:
            in_person = [choice for choice in ProofMethod.choices if choice[0] != ProofMethod.CARRIER]
            self.fields["method"].choices = in_person  # type: ignore[attr-defined]

    def proof(self) -> NewProof:
        """What is to be recorded; only for a valid form."""
        data = self.cleaned_data
        return NewProof(
            method=ProofMethod(data["method"]),
            delivered_on=data["delivered_on"],
            signed_by=data["signed_by"],
            relation=data["relation"],
            record=data["record"],
        )


def first_day(given: str, dispensed_on: date, *, today: date) -> date:
    """The day a proof's form shows first: of what was handed over, that day; of a parcel, today."""
    return dispensed_on if given == Given.IN_PERSON else today
