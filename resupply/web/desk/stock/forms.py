"""Forms of stock. They check shape; what may be, the services decide."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import Any

from django import forms

from resupply.models import Location
from resupply.queries.stock import EXPIRES_SOON, StockFilter
from resupply.web.forms import AtLocationForm, any_kind, day_field

MOST_LOTS = 400
"""Lots on one sheet; beyond them it is narrowed by part."""

MOST_TARGETS = 300
"""Items whose targets stand on one page; beyond them it is narrowed by part."""

MOST_ROWS = 40
"""Rows a form to receive may have."""


def whole_number(label: str, **over: Any) -> forms.IntegerField:
    """A number typed into a plain field: neither arrow keys nor a wheel change it unseen."""
    attrs = {"inputmode": "numeric", "autocomplete": "off"}
    return forms.IntegerField(label=label, required=False, widget=forms.TextInput(attrs), **over)


class PlaceForm(AtLocationForm):
    """Which location, and which parts of it: the head of a sheet."""

    location = forms.ModelChoiceField(
        Location.objects.none(), label="Location", required=False, empty_label=None
    )
    kind = any_kind()


class ShelvesForm(PlaceForm):
    """Narrow the shelves; empty fields do not."""

    show = forms.ChoiceField(
        label="Show",
        required=False,
        choices=[("", "Everything"), ("low", "Low"), ("count", "To count"), ("recalled", "Recalled")],
    )
    within = forms.IntegerField(
        label="Expires within, days", required=False, min_value=0, max_value=3650, initial=EXPIRES_SOON
    )
    order = forms.ChoiceField(
        label="Order",
        required=False,
        choices=[("", "By part"), ("few", "Fewest first"), ("expiry", "First to expire")],
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["location"].empty_label = "All locations"  # type: ignore[attr-defined]

    def wanted(self, location_ids: frozenset[int]) -> StockFilter:
        """What the list is narrowed to, within the locations one may see (empty: all); once validated."""
        data = self.cleaned_data
        place = data.get("location")
        return StockFilter(
            location_ids=frozenset({place.pk}) if place else location_ids or None,
            kind=data.get("kind") or "",
            low=data.get("show") == "low",
            within=data.get("within"),
            below_zero=data.get("show") == "count",
            recalled=data.get("show") == "recalled",
        )


class ReceiveForm(AtLocationForm):
    """The head of a receipt."""

    location = forms.ModelChoiceField(Location.objects.none(), label="Location", empty_label=None)
    received_on = day_field("Received on")
    note = forms.CharField(
        label="Note", max_length=300, required=False, widget=forms.TextInput({"autocomplete": "off"})
    )
    form_key = forms.UUIDField(required=False, widget=forms.HiddenInput)


class NewLotForm(forms.Form):
    """So many of an item with the lot and expiry of its pack; without a quantity it is left out."""

    item = forms.TypedChoiceField(label="Item", required=False, coerce=int, empty_value=None)
    lot = forms.CharField(
        label="Lot", max_length=40, required=False, widget=forms.TextInput({"autocomplete": "off"})
    )
    expires_on = day_field("Expires", required=False)
    quantity = whole_number("Quantity")
    scanned = forms.CharField(required=False, widget=forms.HiddenInput)  # "1" where scans fill the row

    def __init__(self, *args: Any, items: list[tuple[str, Any]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["item"].choices = items  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        """A quantity needs its item, and an item its quantity."""
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        if cleaned.get("quantity") is not None and cleaned.get("item") is None and "item" not in self.errors:
            self.add_error("item", "Choose the item.")
        if cleaned.get("item") is not None and cleaned.get("quantity") is None and not self.errors:
            self.add_error("quantity", "Enter how many, or choose no item.")
        return cleaned

    @property
    def is_wanted(self) -> bool:
        """Whether the row says something."""
        return self.cleaned_data.get("quantity") is not None


NewLotFormSet = forms.formset_factory(NewLotForm, extra=3, max_num=MOST_ROWS, absolute_max=MOST_ROWS + 5)


@dataclass(frozen=True, slots=True)
class LotKey:
    """Which lot a row of a sheet is about, and how many the sheet said there are."""

    item_id: int
    expires_on: date | None
    expected: int
    lot: str

    def __str__(self) -> str:
        return f"{self.item_id}:{self.expires_on or ''}:{self.expected}:{self.lot}"

    @classmethod
    def read(cls, text: str) -> "LotKey":
        """The key as a form sends it back. Raises ValueError."""
        item, expires, expected, lot = text.split(":", 3)
        return cls(int(item), date.fromisoformat(expires) if expires else None, int(expected), lot)


class LotForm(forms.Form):
    """One lot of a sheet with a number typed beside it; empty: left out."""

    key = forms.CharField(widget=forms.HiddenInput, strip=False)
    number = whole_number("Number")

    def clean_key(self) -> LotKey:
        """The lot it is about."""
        try:
            return LotKey.read(self.cleaned_data["key"])
        except ValueError:
            raise forms.ValidationError("This line cannot be read. Open the page again.") from None

    @property
    def is_wanted(self) -> bool:
        """Whether a number was typed."""
        return self.cleaned_data.get("number") is not None


LotFormSet = forms.formset_factory(LotForm, extra=0, max_num=MOST_LOTS, absolute_max=MOST_LOTS)


class MoveForm(forms.Form):
    """Where to, and when."""

    target = forms.ModelChoiceField(Location.objects.none(), label="To")
    moved_on = day_field("Moved on")
    note = forms.CharField(
        label="Note", max_length=300, required=False, widget=forms.TextInput({"autocomplete": "off"})
    )
    form_key = forms.UUIDField(required=False, widget=forms.HiddenInput)

    def __init__(self, *args: Any, locations: Iterable[Location], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["target"].queryset = locations  # type: ignore[attr-defined]


class DiscardForm(forms.Form):
    """Why, and when."""

    reason = forms.CharField(
        label="Reason", max_length=300, required=False, widget=forms.TextInput({"autocomplete": "off"})
    )
    discarded_on = day_field("Discarded on")
    form_key = forms.UUIDField(required=False, widget=forms.HiddenInput)


class CountForm(forms.Form):
    """When it was counted; `shown` holds the numbers whose differences the page has shown."""

    counted_on = day_field("Counted on")
    note = forms.CharField(
        label="Note", max_length=300, required=False, widget=forms.TextInput({"autocomplete": "off"})
    )
    form_key = forms.UUIDField(required=False, widget=forms.HiddenInput)
    shown = forms.CharField(required=False, widget=forms.HiddenInput)


class TargetForm(forms.Form):
    """From how few an item is low, and up to how many to order; both empty: no target."""

    item = forms.IntegerField(widget=forms.HiddenInput)
    low_at = whole_number("Low from", min_value=0, max_value=5000)
    order_up_to = whole_number("Order up to", min_value=0, max_value=5000)


TargetFormSet = forms.formset_factory(TargetForm, extra=0, max_num=MOST_TARGETS, absolute_max=MOST_TARGETS)


class BackOrderForm(AtLocationForm):
    """Parts a patient is to have once they are in stock; `part` is `item:<id>` or `code:<code>`."""

    part = forms.ChoiceField(label="Part")
    quantity = forms.IntegerField(label="Quantity")
    location = forms.ModelChoiceField(Location.objects.none(), label="Location", empty_label=None)
    expected_on = day_field("Expected on", required=False, help_text="Leave empty if it is not known.")
    note = forms.CharField(label="Note", max_length=300, required=False)

    def __init__(self, *args: Any, parts: list[tuple[str, Any]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["part"].choices = parts  # type: ignore[attr-defined]


class ExpectedForm(forms.Form):
    """When the parts of a back order are expected now."""

    expected_on = day_field("Expected on", required=False, help_text="Leave empty if it is not known.")
