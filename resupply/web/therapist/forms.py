"""Forms of the therapist's room. They check shape; whether something may be, the services decide."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from django import forms

from resupply.models import Said
from resupply.rules.magnets import Implant, Person, implants
from resupply.web.forms import day_field

PERSON_WORDS = {Person.WEARER: "The wearer", Person.CLOSE_CONTACT: "Anyone in close contact"}
GROUP_WORDS = {
    "heart": "Heart and vessels",
    "brain": "Brain and nerves",
    "eyes": "Eyes",
    "head": "Ears and mouth",
    "body": "Elsewhere in the body",
    "other": "Anything else",
}


@dataclass(frozen=True, slots=True)
class Line:
    """A line of the list on screen: the implant, its words in the patient's language (empty: English is
    theirs), and an answer for each person.
    """

    implant: Implant
    spoken: str
    answers: list[tuple[str, forms.BoundField]]


class OneOf(forms.RadioSelect):
    """Radio buttons whose first one is found by a link to the field."""

    def id_for_label(self, id_: str, index: str | None = None) -> str:
        """The id of a button; of the first, where none is named."""
        return super().id_for_label(id_, index or "0")


class ScreenForm(forms.Form):
    """What was said about implants and objects, of two persons. "No to all" answers the lines left open."""

    asked_on = day_field("Asked on")
    cleared_reason = forms.CharField(
        label="Why an earlier yes no longer applies",
        max_length=300,
        required=False,
        widget=forms.Textarea({"rows": 2, "class": "form-control"}),
        help_text="For example: the device was removed, by a letter of the hospital. It stays on record; "
        "each earlier yes that is not repeated above ends with it. Leave empty to keep them.",
    )

    def __init__(self, *args: Any, language: str, may_clear: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.language = language
        if not may_clear:
            del self.fields["cleared_reason"]
        for person, words in PERSON_WORDS.items():
            self.fields[f"{person}_none"] = forms.BooleanField(
                label=f"{words}: no to all lines left open", required=False
            )
            for code, implant in implants().items():
                self.fields[f"{person}_{code}"] = forms.ChoiceField(
                    label=f"{implant.name}: {words.lower()}",
                    choices=Said.choices,
                    required=False,
                    widget=OneOf,
                )

    def answers(self, person: Person) -> dict[str, str]:
        """One person's answers by code; lines left open are no with "no to all", else missing."""
        open_lines = Said.NO if self.cleaned_data[f"{person}_none"] else ""
        given = {code: self.cleaned_data[f"{person}_{code}"] or open_lines for code in implants()}
        return {code: answer for code, answer in given.items() if answer}

    @property
    def all_no(self) -> list[tuple[str, forms.BoundField]]:
        """The boxes "no to all", with the person's words."""
        return [(words, self[f"{person}_none"]) for person, words in PERSON_WORDS.items()]

    @property
    def groups(self) -> Iterator[tuple[str, list[Line]]]:
        """The list as it is asked, in groups."""
        for group, of in groupby(implants().values(), key=lambda implant: implant.group):
            yield GROUP_WORDS[group], [self._line(implant) for implant in of]

    def _line(self, implant: Implant) -> Line:
        spoken = "" if self.language == "en" else implant.plain.get(self.language, "")
        answers = [(words, self[f"{person}_{implant.code}"]) for person, words in PERSON_WORDS.items()]
        return Line(implant, spoken, answers)
