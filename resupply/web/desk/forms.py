"""Forms of the desk. They check shape; whether something may be, the services decide."""

from collections.abc import Iterable
from typing import Any
from zoneinfo import available_timezones

from django import forms
from django.utils.functional import lazy

from resupply.models import (
    Channel,
    Given,
    Language,
    Location,
    Patient,
    PatientStatus,
    Payer,
    SuppliedBy,
)
from resupply.services.people import PatientDetails
from resupply.web.forms import SuggestingInput, day_field
from resupply.web.wording import kind_word

_WEEKDAYS = list(enumerate(("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")))


def _zones() -> list[tuple[str, str]]:
    """Zones that name a place (and UTC): the others are old spellings of these."""
    return [
        (zone, zone.replace("_", " "))
        for zone in sorted(available_timezones())
        if "/" in zone or zone == "UTC"
    ]


class PatientForm(forms.Form):
    """A patient's details; `details()` is what the service takes."""

    given_name = forms.CharField(label="Given name", max_length=80, required=False)
    family_name = forms.CharField(label="Family name", max_length=80, required=False)
    birth_date = day_field("Date of birth")
    reference = forms.CharField(label="Reference", max_length=40, help_text="The clinic's own number.")
    location = forms.ModelChoiceField(Location.objects.none(), label="Location")
    therapy_started_on = day_field("On therapy since", required=False)
    email = forms.EmailField(label="E-mail", required=False)
    phone = forms.CharField(label="Phone", max_length=40, required=False)
    address = forms.CharField(label="Address", required=False, widget=forms.Textarea({"rows": 3}))
    representative_name = forms.CharField(label="Representative", max_length=160, required=False)
    representative_relation = forms.CharField(label="Relation to the patient", max_length=80, required=False)
    language = forms.ChoiceField(label="Language", choices=Language.choices)
    time_zone = forms.ChoiceField(label="Time zone", choices=lazy(_zones, list)())
    cleaning_weekday = forms.TypedChoiceField(label="Weekly cleaning on", choices=_WEEKDAYS, coerce=int)
    cleaning_month_day = forms.IntegerField(
        label="Monthly cleaning on day",
        min_value=1,
        max_value=31,
        help_text="In a shorter month, on its last day.",
    )

    def __init__(self, *args: Any, locations: Iterable[Location], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["location"].queryset = locations  # type: ignore[attr-defined]

    def details(self) -> PatientDetails:
        """The details typed; only for a valid form."""
        return PatientDetails(**{name: self.cleaned_data[name] for name in PatientDetails.__slots__})

    @staticmethod
    def initial_of(patient: Patient) -> dict[str, Any]:
        """What the form shows of a patient on record."""
        return {name: getattr(patient, name) for name in PatientDetails.__slots__}


class NewPatientForm(PatientForm):
    """Details, and who pays."""

    payer = forms.ModelChoiceField(
        Payer.objects.all(), label="Payer", required=False, empty_label="The patient pays"
    )


class StatusForm(forms.Form):
    """Whether the clinic keeps the patient in equipment."""

    status = forms.ChoiceField(label="Status", choices=PatientStatus.choices)


class CoverageForm(forms.Form):
    """Who pays from a day on."""

    payer = forms.ModelChoiceField(
        Payer.objects.all(), label="Payer", required=False, empty_label="The patient pays"
    )
    starts_on = day_field("From")


class ConsentForm(forms.Form):
    """A yes or no to messages on a channel."""

    channel = forms.ChoiceField(label="Channel", choices=Channel.choices)
    granted = forms.TypedChoiceField(
        label="Answer",
        choices=[("yes", "Yes, messages are welcome"), ("no", "No messages")],
        coerce=lambda answer: answer == "yes",
    )
    given_on = day_field("Given on")
    how = forms.CharField(
        label="How it was given", max_length=120, help_text="For example: asked at the desk."
    )


class PartEventForm(forms.Form):
    """Something happened to one of the patient's parts on a day."""

    kind = forms.ChoiceField(label="Part")
    on = day_field("Day")

    def __init__(self, *args: Any, kinds: Iterable[str], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["kind"].choices = [  # type: ignore[attr-defined]
            ("", "Choose a part"),
            *((kind, kind_word(kind)) for kind in kinds),
        ]


class SwapForm(PartEventForm):
    """A part was changed; `keep_anyway` keeps it without a spare on record."""

    keep_anyway = forms.BooleanField(
        label="Keep the report even without a spare on record",
        required=False,
        help_text="It counts once the dispense that the spare came from is on record.",
    )


class PauseForm(forms.Form):
    """Therapy pauses from a day on."""

    on = day_field("First day without therapy")
    until = day_field(
        "First day of therapy again", required=False, help_text="Leave empty if it is not known."
    )


class PauseEndForm(forms.Form):
    """Therapy goes on."""

    until = day_field("First day of therapy again")


class RefitForm(forms.Form):
    """The patient was refitted to another mask family."""

    family = forms.CharField(
        label="Mask family",
        max_length=60,
        widget=SuggestingInput,
        help_text="As the catalogue spells it: units of any other family end.",
    )
    on = day_field("Day of the refit")

    def __init__(self, *args: Any, families: Iterable[str], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["family"].widget.words = families


class VoidForm(forms.Form):
    """Why a record is taken back."""

    reason = forms.CharField(
        label="Reason", max_length=300, widget=forms.Textarea({"rows": 2}), help_text="It stays on record."
    )


class DispenseForm(forms.Form):
    """The head of a dispense: when, where, how."""

    dispensed_on = day_field("Dispensed on")
    location = forms.ModelChoiceField(Location.objects.none(), label="Location", empty_label=None)
    given = forms.ChoiceField(label="Given", choices=Given.choices, initial=Given.IN_PERSON)
    tracking_id = forms.CharField(label="Tracking id, if shipped", max_length=60, required=False)
    supplied_by = forms.ChoiceField(label="Supplied by", choices=SuppliedBy.choices, initial=SuppliedBy.US)
    form_key = forms.UUIDField(required=False, widget=forms.HiddenInput)

    def __init__(self, *args: Any, locations: Iterable[Location], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["location"].queryset = locations  # type: ignore[attr-defined]


class ScanForm(forms.Form):
    """What a scanner types. Blanks at the ends stay: a group separator counts as one for `str.strip()`."""

    scan = forms.CharField(
        label="Scan",
        required=False,
        strip=False,
        help_text="The code on the pack, scanned or typed as printed. Each scan adds one and logs nothing.",
        widget=forms.TextInput(
            {"autocomplete": "off", "autocapitalize": "off", "spellcheck": "false", "data-scan": True}
        ),
    )


class RowForm(forms.Form):
    """One part of a dispense; without a quantity it is left out. `part` is `item:<id>` or `code:<code>`."""

    kind = forms.CharField(required=False, widget=forms.HiddenInput)
    part = forms.ChoiceField(label="Part", required=False)
    quantity = forms.IntegerField(label="Quantity", required=False)
    lot = forms.CharField(label="Lot", max_length=40, required=False)
    expires_on = day_field("Expires", required=False)
    first_use_on = day_field("First use", required=False)
    billed = forms.ChoiceField(
        label="Billed",
        required=False,
        choices=[("", "if covered"), ("yes", "yes"), ("no", "no")],
    )
    exception_reason = forms.CharField(label="Reason for an exception", max_length=300, required=False)
    scanned = forms.CharField(required=False, widget=forms.HiddenInput)  # "1" where scans fill the row

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
    def extra_fields(self) -> list[forms.BoundField]:
        """What is seldom needed, shown when opened."""
        return [field for field in self.visible_fields() if field.name not in ("part", "quantity")]

    @property
    def is_open(self) -> bool:
        """Whether one of those holds something, or something to mend."""
        return any(field.value() or field.errors for field in self.extra_fields)

    @property
    def is_wanted(self) -> bool:
        """Whether the row is part of the dispense."""
        return self.cleaned_data.get("quantity") is not None


RowFormSet = forms.formset_factory(RowForm, extra=2, max_num=40, absolute_max=60)
