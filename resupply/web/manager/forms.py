"""The filters of the overdue list: no patient data, so that they may stand in an address."""

from collections.abc import Iterable
from typing import Any

from django import forms

from resupply.models import Location, Payer
from resupply.queries.overdue import OverdueFilter
from resupply.rules.kinds import Kind
from resupply.web.wording import kind_word

SELF_PAY = "0"


class OverdueForm(forms.Form):
    """Narrow the list; empty fields do not."""

    location = forms.ModelChoiceField(
        Location.objects.none(), label="Location", required=False, empty_label="All locations"
    )
    payer = forms.ChoiceField(label="Payer", required=False)
    kind = forms.ChoiceField(
        label="Part", required=False, choices=[("", "All parts"), *((kind, kind_word(kind)) for kind in Kind)]
    )
    least = forms.IntegerField(label="Days overdue, from", required=False, min_value=1, max_value=36500)
    most = forms.IntegerField(label="Days overdue, to", required=False, min_value=1, max_value=36500)
    order = forms.ChoiceField(
        label="Order", required=False, choices=[("", "Longest overdue first"), ("recent", "Shortest first")]
    )

    def __init__(self, *args: Any, locations: Iterable[Location], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["location"].queryset = locations  # type: ignore[attr-defined]
        payers = [(str(payer.pk), payer.name) for payer in Payer.objects.all()]
        self.fields["payer"].choices = [  # type: ignore[attr-defined]
            ("", "All payers"),
            *payers,
            (SELF_PAY, "The patient pays"),
        ]
        for field in self.fields.values():
            css = "form-select" if isinstance(field, forms.ChoiceField) else "form-control"
            field.widget.attrs["class"] = css

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
        payer = data.get("payer")
        return OverdueFilter(
            location_ids=frozenset({place.pk}) if place else location_ids or None,
            payer_id=int(payer) if payer else None,
            kind=Kind(data["kind"]) if data.get("kind") else None,
            least_days=data.get("least"),
            most_days=data.get("most"),
        )

    @property
    def longest_first(self) -> bool:
        """Which way the list runs."""
        return self.cleaned_data.get("order") != "recent"
