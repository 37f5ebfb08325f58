"""The filters of the book: no patient data, so that they may stand in an address."""

from datetime import date
from typing import Any

from django import forms

from resupply.models import Given, Parcel
from resupply.queries.dispense_book import BookFilter
from resupply.web.forms import AtLocationForm, any_location, day_field, dress
from resupply.web.wording import day_words

MARKS = [("", "All"), ("exceptions", "Outside the limits"), ("without_proof", "Without proof of delivery")]


class BookForm(AtLocationForm):
    """Narrow the book; empty fields do not."""

    location = any_location("All locations")
    first_on = day_field("From", required=False)
    last_on = day_field("To", required=False)
    given = forms.ChoiceField(label="Given", required=False, choices=[("", "Either way"), *Given.choices])
    mark = forms.ChoiceField(label="Marked", required=False, choices=MARKS)
    parcel = forms.ChoiceField(label="Parcel", required=False, choices=[("", "Any"), *Parcel.choices])
    part_or_lot = forms.CharField(label="Part, code or lot", required=False, max_length=60)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        dress(self)

    def clean(self) -> dict[str, Any]:
        """A range of days runs upwards."""
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        first, last = cleaned.get("first_on"), cleaned.get("last_on")
        if first and last and first > last:
            self.add_error("last_on", "Enter a day that is not before the first.")
        return cleaned

    def wanted(self, location_ids: frozenset[int]) -> BookFilter:
        """What the book is narrowed to, within the locations one may see (empty: all); once validated."""
        data = self.cleaned_data
        place = data.get("location")
        return BookFilter(
            seen_at=location_ids or None,
            location_id=place.pk if place else None,
            first_on=data.get("first_on"),
            last_on=data.get("last_on"),
            given=data.get("given", ""),
            exceptions_only=data.get("mark") == "exceptions",
            without_proof=data.get("mark") == "without_proof",
            parcel=data.get("parcel", ""),
            part_or_lot=data.get("part_or_lot", "").strip(),
        )

    def words(self, *, today: date) -> list[str]:
        """What the book is narrowed to, in words, for paper."""
        data, words = self.cleaned_data, []
        if data.get("location"):
            words.append(str(data["location"]))
        for name, lead in (("first_on", "from"), ("last_on", "to")):
            if data.get(name):
                words.append(f"{lead} {day_words(data[name], today=today)}")
        for name in ("given", "mark", "parcel"):
            if data.get(name):
                shown: dict[str, str] = dict(self.fields[name].choices)  # type: ignore[attr-defined]
                words.append(shown[data[name]].lower())
        if data.get("part_or_lot"):
            words.append(f"“{data['part_or_lot']}”")
        return words
