"""Forms of the dispense page: its head, its rows, the scan field. They check shape; the services decide."""

from collections.abc import Sequence
from typing import Any

from django import forms

from resupply.models import Given, Location, Notice, SuppliedBy
from resupply.web.forms import AtLocationForm, SuggestingInput, day_field

MOST_ROWS = 40
"""Rows a form may have."""


class DispenseForm(AtLocationForm):
    """The head of a dispense: when, where, how, and of what is shipped, by whom and where to."""

    dispensed_on = day_field("Dispensed on")
    location = forms.ModelChoiceField(Location.objects.none(), label="Location", empty_label=None)
    given = forms.ChoiceField(label="Given", choices=Given.choices, initial=Given.IN_PERSON)
    supplied_by = forms.ChoiceField(label="Supplied by", choices=SuppliedBy.choices, initial=SuppliedBy.US)
    carrier = forms.CharField(label="Carrier", max_length=60, required=False)
    tracking_id = forms.CharField(label="Tracking id", max_length=60, required=False)
    delivery_address = forms.CharField(
        label="Shipped to", max_length=500, required=False, widget=forms.Textarea({"rows": 2})
    )
    allow_short = forms.BooleanField(label="Log what is not in stock on record anyway", required=False)
    form_key = forms.UUIDField(required=False, widget=forms.HiddenInput)

    @property
    def head_fields(self) -> list[forms.BoundField]:
        """Asked of every dispense."""
        return [self[name] for name in ("dispensed_on", "location", "given", "supplied_by")]

    @property
    def parcel_fields(self) -> list[forms.BoundField]:
        """Asked of what is shipped."""
        return [self[name] for name in ("carrier", "tracking_id", "delivery_address")]


class RowForm(forms.Form):
    """One part of a dispense; without a quantity it is left out. `part` is `item:<id>` or `code:<code>`.

    `offered` is what the form itself filled in (`offer_of`), `scanned` "1" where scans fill the row.
    """

    kind = forms.CharField(required=False, widget=forms.HiddenInput)
    offered = forms.CharField(required=False, widget=forms.HiddenInput)
    scanned = forms.CharField(required=False, widget=forms.HiddenInput)
    part = forms.ChoiceField(label="Part", required=False)
    quantity = forms.IntegerField(label="Quantity", required=False)
    lot = forms.CharField(label="Lot", max_length=40, required=False)
    expires_on = day_field("Expires", required=False)
    size_kept = forms.CharField(label="Size kept", max_length=20, required=False, widget=SuggestingInput)
    serial = forms.CharField(label="Serial", max_length=40, required=False)
    first_use_on = day_field("First use", required=False)
    billed = forms.ChoiceField(
        label="Billed",
        required=False,
        choices=[("", "if covered"), ("yes", "billed"), ("no", "not billed")],
    )
    exception_reason = forms.CharField(label="Reason for an exception", max_length=300, required=False)
    notice = forms.ChoiceField(
        label="Written notice",
        required=False,
        choices=[("", "Choose"), *Notice.choices],
    )
    notice_on = day_field("Notice given on", required=False)

    def __init__(self, *args: Any, parts: list[tuple[str, Any]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["part"].choices = parts  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        """A quantity needs a part."""
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        if cleaned.get("quantity") is not None and not cleaned.get("part") and "part" not in self.errors:
            self.add_error("part", "Choose the part.")
        return cleaned

    @property
    def main_fields(self) -> list[forms.BoundField]:
        """Always in sight."""
        return self.named("part", "quantity", "lot", "expires_on")

    @property
    def exception_fields(self) -> list[forms.BoundField]:
        """What lets a row lie outside the limits."""
        return self.named("exception_reason", "notice", "notice_on")

    @property
    def extra_fields(self) -> list[forms.BoundField]:
        """What is seldom needed, shown when opened."""
        return self.named("serial", "first_use_on", "billed")

    def named(self, *names: str) -> list[forms.BoundField]:
        """Fields by name."""
        return [self[name] for name in names]

    def offer_sizes(self, sizes: Sequence[str]) -> None:
        """The sizes of the fit pack that this row holds."""
        self.fields["size_kept"].widget.words = sizes

    @property
    def is_open(self) -> bool:
        """Whether what is seldom needed holds something, or something to mend."""
        return any(field.value() or field.errors for field in self.extra_fields)

    @property
    def is_excepted(self) -> bool:
        """Whether an exception was typed, or has something to mend."""
        return any(field.value() or field.errors for field in self.exception_fields)

    @property
    def is_wanted(self) -> bool:
        """Whether the row is part of the dispense."""
        return self.cleaned_data.get("quantity") is not None


RowFormSet = forms.formset_factory(RowForm, extra=2, max_num=MOST_ROWS, absolute_max=60)

Raw = dict[str, str]
"""A row as it travels: every field as text."""

_OFFERED = ("part", "quantity", "lot", "expires_on", "size_kept")


def blank_row(**over: str) -> Raw:
    """An empty row but for what is said."""
    return dict.fromkeys(RowForm.base_fields, "") | over


def offered(row: Raw) -> Raw:
    """The row, knowing that the form itself filled it in."""
    return row | {"offered": offer_of(row)}


def offer_of(row: Raw) -> str:
    """What a row holds, in one word, to see later whether somebody changed it."""
    return "|".join(row[name] for name in _OFFERED)
