"""What a form says when something typed does not fit: for every form of the program, in one place.

The framework's own sentences ("This field is required.") name the program's trouble. Ours say what to do, in
the words of the other refusals: enter, choose, keep to. A field with a better sentence for its case passes
`error_messages` as ever. Patients' forms say all of it in the patient's language (`web/patient/forms.py`,
`ask_forms.py`) and never fall back to these.

Set once when the program starts (`resupply.apps`), before any form is made: the sentences are attributes of
the framework's classes, and there is no setting for them. Rejected: a translation file for English, compiled.
"""

from django import forms
from django.core import validators
from django.forms.formsets import BaseFormSet

STALE = "This page is not whole. Open it again."

FIELDS: dict[type[forms.Field], dict[str, str]] = {
    forms.Field: {"required": "Fill this in."},
    forms.BooleanField: {"required": "Tick this first."},
    forms.IntegerField: {"required": "Enter a number.", "invalid": "Enter a whole number."},
    forms.FloatField: {"required": "Enter a number.", "invalid": "Enter a number."},
    forms.DecimalField: {"required": "Enter a number.", "invalid": "Enter a number."},
    forms.DateField: {"required": "Enter a date.", "invalid": "This is no date. Enter it as 2026-02-28."},
    forms.TimeField: {"required": "Enter a time.", "invalid": "This is no time. Enter it as 08:30."},
    forms.EmailField: {"required": "Enter an e-mail address."},
    forms.FileField: {
        "required": "Choose a file.",
        "invalid": "No file arrived. Choose it again.",
        "missing": "No file arrived. Choose it again.",
        "empty": "This file is empty. Choose another.",
        "max_length": "The name of the file is too long. Rename it and choose it again.",
    },
    forms.ChoiceField: {
        "required": "Choose one.",
        "invalid_choice": "“%(value)s” is not offered here. Choose one of the list.",
    },
    forms.MultipleChoiceField: {
        "required": "Choose at least one.",
        "invalid_choice": "“%(value)s” is not offered here. Choose from the list.",
        "invalid_list": "Choose from the list.",
    },
    forms.ModelChoiceField: {"invalid_choice": "This is no longer offered here. Choose another."},
    forms.ModelMultipleChoiceField: {
        "required": "Choose at least one.",
        "invalid_list": "Choose from the list.",
        "invalid_choice": "“%(value)s” is no longer offered here. Choose from the list.",
        "invalid_pk_value": "“%(pk)s” is not offered here. Choose from the list.",
    },
    forms.UUIDField: {"required": STALE, "invalid": STALE},
    forms.JSONField: {"required": STALE, "invalid": STALE},
}
"""Kind of field -> what is wrong -> the sentence. A kind takes over what the kinds it is made from say."""

FORMSET = {
    "missing_management_form": STALE,
    "too_many_forms": "Keep this to %(num)d rows.",
    "too_few_forms": "Fill in at least %(num)d rows.",
}

SIGN_IN = {
    "invalid_login": "This user name and password do not go together. Check both: capital letters count.",
    "inactive": "This account opens nothing. Ask your clinic's administrator.",
}

MISMATCH = "The two passwords are not the same. Type both again."
WRONG_PASSWORD = "That is not your password now. Nothing was changed; type it again."  # noqa: S105 - a sentence


def speak() -> None:
    """Put these sentences in the places of the framework's own."""
    for field, words in FIELDS.items():
        field.default_error_messages = {**vars(field).get("default_error_messages", {}), **words}
    BaseFormSet.default_error_messages = {**BaseFormSet.default_error_messages, **FORMSET}
    validators.MaxLengthValidator.message = "Keep this to %(limit_value)d characters; it has %(show_value)d."
    validators.MinLengthValidator.message = "Enter at least %(limit_value)d characters."
    validators.MinValueValidator.message = "Enter %(limit_value)s or more."
    validators.MaxValueValidator.message = "Enter %(limit_value)s or less."
    validators.EmailValidator.message = "Enter it as name@example.org."
    validators.ProhibitNullCharactersValidator.message = (
        "This holds a sign that cannot be kept. Type it again."
    )
    validators.DecimalValidator.messages = {
        **validators.DecimalValidator.messages,
        "invalid": "Enter a number.",
        "max_digits": "Digits: at most %(max)s.",
        "max_decimal_places": "Digits after the point: at most %(max)s.",
        "max_whole_digits": "Digits before the point: at most %(max)s.",
    }
    from django.contrib.auth import forms as accounts  # makes its fields as it is read
    from django.contrib.auth.validators import UnicodeUsernameValidator

    UnicodeUsernameValidator.message = "Use letters, digits and @ . + - _ only."
    accounts.AuthenticationForm.error_messages = {**SIGN_IN}
    accounts.PasswordChangeForm.error_messages = {
        "password_mismatch": MISMATCH,
        "password_incorrect": WRONG_PASSWORD,
    }
