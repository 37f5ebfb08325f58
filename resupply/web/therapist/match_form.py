"""The questions of a matching table as a form, and what the order says of the answers."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django import forms

from resupply.rules.matching import Answers, Change, Match, Standing, StyleVerdict, match, what_would_change
from resupply.rules.matching_table import Question, Table
from resupply.web.forms import day_field

STANDING_WORDS = {
    Standing.SUITS: "suits",
    Standing.POSSIBLE: "possible",
    Standing.NOT_NOW: "not now",
    Standing.RULED_OUT: "ruled out",
}


class MatchForm(forms.Form):
    """One field a question, named `q_<id>`; the style chosen, a note and the day."""

    answered_on = day_field("Answered on")
    style = forms.ChoiceField(label="Style chosen", required=False, widget=forms.RadioSelect)
    note = forms.CharField(
        label="Note",
        max_length=500,
        required=False,
        widget=forms.Textarea({"rows": 2, "class": "form-control"}),
    )

    def __init__(self, *args: Any, table: Table, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.table = table
        styles = [(style.id, style.name) for style in table.styles]
        self.fields["style"].choices = [("", "None yet"), *styles]  # type: ignore[attr-defined]
        for question in table.questions:
            self.fields[f"q_{question.id}"] = _field(question)

    def answers(self) -> dict[str, list[str]]:
        """The answers as sent or as first shown, in order or not: the order on screen follows them."""
        found = {}
        for question in self.table.questions:
            value = self[f"q_{question.id}"].value()
            values = value if isinstance(value, list | tuple) else [value]
            if kept := [str(one).strip() for one in values if one not in (None, "")]:
                found[question.id] = kept
        return found

    @property
    def questions(self) -> Iterator[tuple[Question, forms.BoundField]]:
        """Each question with its field."""
        for question in self.table.questions:
            yield question, self[f"q_{question.id}"]


@dataclass(frozen=True, slots=True)
class StyleView:
    """A style in the order: its name, how it stands in words, and its reasons."""

    name: str
    about: str
    word: str
    verdict: StyleVerdict
    is_offered: bool


@dataclass(frozen=True, slots=True)
class Switch:
    """Another answer that would bring another style to the front, in words; no style: it would refer."""

    question: str
    value: str
    style: str


@dataclass(frozen=True, slots=True)
class OrderView:
    """The order for some answers, and what would change it."""

    found: Match
    styles: list[StyleView]
    switches: list[Switch]


def order_view(answers: Answers, table: Table) -> OrderView:
    """What the page shows of these answers."""
    found = match(answers, table)
    names = {style.id: style for style in table.styles}
    styles = [
        StyleView(
            names[verdict.style].name,
            names[verdict.style].about,
            STANDING_WORDS[verdict.standing],
            verdict,
            verdict.standing in {Standing.SUITS, Standing.POSSIBLE},
        )
        for verdict in found.styles
    ]
    changes = what_would_change(answers, table)
    return OrderView(found, styles, [_switch(change, table) for change in changes])


def first_answers(answers: Mapping[str, Sequence[str]]) -> dict[str, Any]:
    """Recorded answers as a form shows them first."""
    return {
        f"q_{name}": list(values) if len(values) > 1 else values[0]
        for name, values in answers.items()
        if values
    }


def _switch(change: Change, table: Table) -> Switch:
    question = next(question for question in table.questions if question.id == change.question)
    names = {style.id: style.name for style in table.styles}
    first = "" if change.refers else names[change.order[0]]
    return Switch(question.text, dict(question.values)[change.value], first)


def _field(question: Question) -> forms.Field:
    if question.kind == "number":
        return forms.DecimalField(
            label=f"{question.text} ({question.unit})",
            required=False,
            min_value=question.least,
            max_value=question.most,
            max_digits=5,
            decimal_places=1,
            widget=forms.NumberInput({"step": "0.5", "inputmode": "decimal"}),
        )
    if question.kind == "many":
        return forms.MultipleChoiceField(
            label=question.text,
            required=False,
            choices=question.values,
            widget=forms.CheckboxSelectMultiple,
        )
    return forms.ChoiceField(
        label=question.text,
        required=False,
        choices=[("", "not asked"), *question.values],
        widget=forms.RadioSelect,
    )
