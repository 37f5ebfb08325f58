"""Forms of orders and devices. They check shape; the service decides."""

from functools import partial
from typing import Any

from django import forms

from resupply.models import Humidifier
from resupply.services.orders import MOST_MONTHS, DeviceDetails, OrderDetails, Ordered
from resupply.web.forms import code_choices, day_field


class OrderForm(forms.Form):
    """The head of a prescriber's order."""

    prescriber_name = forms.CharField(label="Prescriber", max_length=120)
    prescriber_npi = forms.CharField(
        label="NPI",
        max_length=20,
        help_text="The prescriber's ten-digit number. Its check digit is looked at, not whose it is.",
        widget=forms.TextInput({"inputmode": "numeric", "autocomplete": "off"}),
    )
    ordered_on = day_field("Ordered on")
    ends_on = day_field("Ends on", required=False, help_text="Leave it empty if the order names no end.")

    def details(self, items: list[Ordered]) -> OrderDetails:
        """The order typed, with its items; only for a valid form."""
        return OrderDetails(**self.cleaned_data, items=items)


class OrderItemForm(forms.Form):
    """One part on an order; a row without a part is left out."""

    part_code = forms.ChoiceField(label="Part", required=False, choices=partial(code_choices, "No part"))
    quantity = forms.IntegerField(label="Quantity", required=False, min_value=1)
    period_months = forms.IntegerField(
        label="For how many months", required=False, min_value=1, max_value=MOST_MONTHS
    )

    def clean(self) -> dict[str, Any]:
        """A part needs a quantity and a period, and they a part."""
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        has_part = bool(cleaned.get("part_code"))
        if has_part:
            for name, words in (
                ("quantity", "Enter how many."),
                ("period_months", "Enter for how many months."),
            ):
                if cleaned.get(name) is None and name not in self.errors:
                    self.add_error(name, words)
        elif cleaned.get("quantity") is not None and "part_code" not in self.errors:
            self.add_error("part_code", "Choose the part.")
        return cleaned

    @property
    def is_wanted(self) -> bool:
        """Whether the row is part of the order."""
        return bool(self.cleaned_data.get("part_code"))

    def ordered(self) -> Ordered:
        """The row as the service takes it."""
        data = self.cleaned_data
        return Ordered(data["part_code"], data["quantity"], data["period_months"])


OrderItemFormSet = forms.formset_factory(OrderItemForm, extra=0, max_num=20, absolute_max=40)


class DeviceForm(forms.Form):
    """A device as supplied."""

    description = forms.CharField(label="Device", max_length=120, help_text="As its label describes it.")
    serial = forms.CharField(label="Serial number", max_length=40, required=False)
    supplied_on = day_field("Supplied on")
    pressure_low = forms.DecimalField(
        label="Prescribed pressure, cmH2O",
        max_digits=4,
        decimal_places=1,
        required=False,
        help_text="As the prescriber wrote it: the one fixed pressure, or the lowest where it adjusts.",
    )
    pressure_high = forms.DecimalField(
        label="Highest pressure, cmH2O",
        max_digits=4,
        decimal_places=1,
        required=False,
        help_text="Only where the device adjusts.",
    )
    humidifier = forms.ChoiceField(label="Humidifier", choices=Humidifier.choices)

    def details(self) -> DeviceDetails:
        """The device typed; only for a valid form."""
        return DeviceDetails(**self.cleaned_data)
