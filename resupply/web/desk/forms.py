"""Forms of the desk. They check shape; whether something may be, the services decide."""

from collections.abc import Iterable
from typing import Any

from django import forms

from resupply.models import (
    Channel,
    Language,
    Location,
    Patient,
    PatientStatus,
    Payer,
)
from resupply.rules.purposes import Purpose
from resupply.services.people import PatientDetails
from resupply.web.forms import AtLocationForm, SuggestingInput, day_field, zones
from resupply.web.wording import PURPOSE_WORDS, WEEKDAYS, kind_word


class PatientForm(AtLocationForm):
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
    time_zone = forms.ChoiceField(label="Time zone")
    cleaning_weekday = forms.TypedChoiceField(
        label="Weekly cleaning on", choices=list(enumerate(WEEKDAYS)), coerce=int
    )
    cleaning_month_day = forms.IntegerField(
        label="Monthly cleaning on day",
        min_value=1,
        max_value=31,
        help_text="In a shorter month, on its last day.",
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        zone, offered = self.initial.get("time_zone", ""), zones()
        if zone and zone not in dict(offered):  # imported: else another one is saved
            offered.insert(0, (zone, zone))
        self.fields["time_zone"].choices = offered  # type: ignore[attr-defined]

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

    status = forms.ChoiceField(
        label="Status",
        choices=[choice for choice in PatientStatus.choices if choice[0] != PatientStatus.WITHDRAWN],
    )


class CoverageForm(forms.Form):
    """Who pays from a day on."""

    payer = forms.ModelChoiceField(
        Payer.objects.all(), label="Payer", required=False, empty_label="The patient pays"
    )
    starts_on = day_field("From")


class ConsentForm(forms.Form):
    """A yes or no to messages on a channel."""

    channel = forms.ChoiceField(label="Channel", choices=Channel.choices)
    purpose = forms.ChoiceField(
        label="About",
        choices=[("", "Everything"), *((purpose.value, PURPOSE_WORDS[purpose]) for purpose in Purpose)],
        required=False,
    )
    granted = forms.TypedChoiceField(
        label="Answer",
        choices=[("yes", "Yes, messages are welcome"), ("no", "No messages")],
        coerce=lambda answer: answer == "yes",
    )
    given_on = day_field("Given on")
    how = forms.CharField(
        label="How it was given, or why it changes",
        max_length=120,
        help_text="For example: asked at the desk.",
    )
    on_paper = forms.BooleanField(
        label="Signed on paper",
        required=False,
        help_text="For calls: a written permission is a ground of its own.",
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
