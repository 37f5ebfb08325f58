"""Forms speak the program's words, never the framework's."""

from importlib import import_module

import pytest
from django import forms
from django.conf import settings
from django.utils.functional import Promise

UNSEEN = {"invalid_image", "contradiction", "unsupported", "overflow", "incomplete", "list", "null"}
"""Codes that no form of ours can raise: pictures, files to clear, durations, fields of several parts."""


def forms_of_ours() -> set[type[forms.BaseForm]]:
    import_module(settings.ROOT_URLCONF)  # every view, and with it every form
    found: set[type[forms.BaseForm]] = set()
    waiting: list[type[forms.BaseForm]] = [forms.Form, forms.ModelForm]  # type: ignore[list-item]
    while waiting:
        for form in waiting.pop().__subclasses__():
            found.add(form)
            waiting.append(form)
    return {form for form in found if form.__module__.startswith(("resupply.", "clinic."))}


def test_no_field_of_any_form_keeps_a_sentence_of_the_framework() -> None:
    """The framework's own are translatable promises, ours are plain text."""
    ours = forms_of_ours()
    assert len(ours) > 80
    theirs = {
        (form.__qualname__, name, code)
        for form in ours
        for name, field in form.base_fields.items()  # type: ignore[attr-defined]
        for code, said in field.error_messages.items()
        if isinstance(said, Promise) and code not in UNSEEN
    }
    theirs |= {
        (form.__qualname__, name, type(check).__name__)
        for form in ours
        for name, field in form.base_fields.items()  # type: ignore[attr-defined]
        for check in field.validators
        if isinstance(getattr(check, "message", ""), Promise)
    }
    assert theirs == set()


@pytest.mark.parametrize(
    ("field", "typed", "said"),
    [
        (forms.CharField(), "", "Fill this in."),
        (forms.CharField(max_length=3), "four", "Keep this to 3 characters; it has 4."),
        (forms.IntegerField(max_value=9), "10", "Enter 9 or less."),
        (forms.IntegerField(), "two", "Enter a whole number."),
        (
            forms.DecimalField(max_digits=3, decimal_places=1),
            "9.55",
            "Digits after the point: at most 1.",
        ),
        (forms.DateField(), "30 February", "This is no date. Enter it as 2026-02-28."),
        (forms.DateField(), "", "Enter a date."),
        (forms.ChoiceField(choices=[("a", "A")]), "", "Choose one."),
        (forms.ChoiceField(choices=[("a", "A")]), "b", "“b” is not offered here. Choose one of the list."),
        (forms.MultipleChoiceField(choices=[("a", "A")]), [], "Choose at least one."),
        (forms.EmailField(), "nobody", "Enter it as name@example.org."),
        (forms.FileField(), None, "Choose a file."),
        (forms.UUIDField(), "x", "This page is not whole. Open it again."),
    ],
)
def test_what_is_said(field: forms.Field, typed: object, said: str) -> None:
    with pytest.raises(forms.ValidationError) as raised:
        field.clean(typed)
    assert raised.value.messages == [said]
