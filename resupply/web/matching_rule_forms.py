"""One rule of a matching table as a form: one that is there, and one to be added."""

from collections.abc import Iterable
from typing import Any, NamedTuple

from django import forms

from resupply.rules.matching_parts import HEAVIEST, WEIGHED
from resupply.rules.matching_table import Condition, Effect, Question, Rule, Table
from resupply.rules.matching_words import ALWAYS, EFFECTS, MARKS, condition_words, effect_words, style_words
from resupply.services.matching_rules import Said
from resupply.web.forms import dress

LONGEST = 400
"""Characters of a sentence or a source: they are read beside a patient."""
ALWAYS_CHOICE, AT_LEAST = "always", ">="
_ONE_NUMBER = "One number can be asked for here. Ask for two in the text of the table."
_NO_NUMBER = "None of these answers is a number: leave it empty, or choose one that is."
_NO_WEIGHT = f"Give it a weight of 1 to {HEAVIEST}."


class Heading(NamedTuple):
    """A rule folded up: when it counts, what it does, to which styles, and why."""

    when: str
    does: str
    styles: str
    why: str


class RuleForm(forms.Form):
    """A rule of the table, whose condition stays; `said()` once validated, None where it is left out."""

    leave_out = forms.BooleanField(label="Leave this rule out", required=False)
    effect = forms.ChoiceField(
        label="What it does", choices=[(e.value, words) for e, words in EFFECTS.items()]
    )
    weight = forms.IntegerField(label="Weight", required=False, min_value=1, max_value=HEAVIEST)
    styles = forms.MultipleChoiceField(
        label="To which styles", required=False, widget=forms.CheckboxSelectMultiple
    )
    text = forms.CharField(label="Why, in a sentence", max_length=LONGEST)
    watch = forms.CharField(label="What to watch, if anything", max_length=LONGEST, required=False)
    source = forms.CharField(label="Source", max_length=LONGEST)
    mark = forms.ChoiceField(label="How far it was read", choices=list(MARKS.items()))

    def __init__(self, data: Any, *, prefix: str, table: Table, rule: Rule | None = None) -> None:
        super().__init__(
            data,
            prefix=prefix,
            initial=_first(rule),
            empty_permitted=rule is None,
            use_required_attribute=False,  # the browser cannot point at what is folded away
        )
        self.table, self.rule = table, rule
        self.fields["styles"].choices = [(one.id, one.name) for one in table.styles]  # type: ignore[attr-defined]
        dress(self)
        for name in ("leave_out", "styles"):
            self.fields[name].widget.attrs.pop("class")
        if self.is_bound and self["leave_out"].data:
            for field in self.fields.values():
                field.required = False

    @property
    def is_open(self) -> bool:
        """Whether it is shown unfolded: there is something to mend, or somebody began to add it."""
        return self.is_bound and bool(self.errors or (self.rule is None and self.has_changed()))

    def heading(self, group: str) -> Heading:
        """The rule as it is, in a group of rules that ask the same question first."""
        rule = self.rule
        if rule is None:
            return Heading("New rule", "", "", "")
        when = condition_words(rule.when, self.table).removeprefix(f"{group}: ")
        about = style_words(rule.styles, self.table)
        return Heading(when[0].upper() + when[1:], effect_words(rule), about, rule.text)

    def clean(self) -> dict[str, Any]:
        """For and against have a weight; every rule but a referral is about styles."""
        data = super().clean() or self.cleaned_data
        if data.get("leave_out") or "effect" not in data:
            return data
        effect = Effect(data["effect"])
        if effect in WEIGHED and data.get("weight") is None and "weight" not in self.errors:
            self.add_error("weight", _NO_WEIGHT)
        if effect is not Effect.REFER and not data.get("styles") and "styles" not in self.errors:
            self.add_error("styles", "Tick at least one style.")
        return data

    def said(self) -> Said | None:
        """What the rule says; None where it is left out."""
        data = self.cleaned_data
        if data.get("leave_out"):
            return None
        effect = Effect(data["effect"])
        order = [*(self.rule.styles if self.rule else ()), *(style.id for style in self.table.styles)]
        return Said(
            effect=effect,
            styles=() if effect is Effect.REFER else tuple(sorted(data["styles"], key=order.index)),
            weight=data["weight"] if effect in WEIGHED else 0,
            text=data["text"],
            watch=data["watch"],
            mark=data["mark"],
            source=data["source"],
        )


class NewRuleForm(RuleForm):
    """A rule to be added, with its condition; untouched, it is none."""

    when = forms.ChoiceField(label="Counts when the answer is")
    also = forms.ChoiceField(
        label="And",
        required=False,
        help_text="Another answer to the same question: either will do. To another question: both count.",
    )
    least = forms.DecimalField(label="At least, for a number", required=False, decimal_places=1)
    field_order = ["when", "least", "also", "effect", "weight", "styles", "text", "watch", "source", "mark"]

    def __init__(self, data: Any, *, prefix: str, table: Table) -> None:
        super().__init__(data, prefix=prefix, table=table)
        del self.fields["leave_out"]
        answers = list(_answers(table.questions))
        always = (ALWAYS_CHOICE, ALWAYS)
        self.fields["when"].choices = [("", "Choose the answer"), always, *answers]  # type: ignore[attr-defined]
        self.fields["also"].choices = [("", "Nothing else"), *answers]  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        """A number is asked for with its bounds, and one at most: there is one field for it."""
        data = super().clean()
        numbers = {question.id: question for question in self.table.questions if question.kind == "number"}
        chosen = {data.get(name, "").removesuffix(AT_LEAST) for name in ("when", "also")} & numbers.keys()
        least = data.get("least")
        if len(chosen) > 1:
            self.add_error("also", _ONE_NUMBER)
        elif chosen:
            question = numbers[chosen.pop()]
            if least is None or not question.least <= least <= question.most:
                self.add_error("least", f"Enter a number from {question.least} to {question.most}.")
        elif least is not None:
            self.add_error("least", _NO_NUMBER)
        return data

    def condition(self) -> Condition:
        """Once validated."""
        found: dict[str, Any] = {}
        for chosen in (self.cleaned_data["when"], self.cleaned_data["also"]):
            if chosen in ("", ALWAYS_CHOICE):
                continue
            if chosen.endswith(AT_LEAST):
                least = self.cleaned_data["least"]
                whole = least == least.to_integral_value()
                found[chosen.removesuffix(AT_LEAST)] = {"at_least": int(least) if whole else float(least)}
                continue
            name, _, value = chosen.partition("=")
            found[name] = tuple(dict.fromkeys((*found.get(name, ()), value)))
        return found


def fits(rule: Rule) -> bool:
    """Whether a form gives a rule's texts back as they are: a line each, no longer than it takes."""
    return all(
        len(text) <= LONGEST and text == text.strip() and len(text.splitlines()) <= 1
        for text in (rule.text, rule.watch, rule.source)
    )


def _first(rule: Rule | None) -> dict[str, Any]:
    """What the form of a rule shows first."""
    if rule is None:
        return {"effect": Effect.FOR.value, "mark": "D"}
    names = ("text", "watch", "source", "mark")
    shown: dict[str, Any] = {name: getattr(rule, name) for name in names}
    return shown | {
        "effect": rule.effect.value,
        "weight": rule.weight or None,
        "styles": list(rule.styles),
    }


def _answers(questions: Iterable[Question]) -> Iterable[tuple[str, list[tuple[str, str]]]]:
    """Every answer that can be asked for, by question."""
    for question in questions:
        if question.kind == "number":
            yield (
                question.text,
                [(f"{question.id}{AT_LEAST}", f"{question.text}: at least … {question.unit}")],
            )
        else:
            yield (
                question.text,
                [(f"{question.id}={value}", f"{question.text}: {words}") for value, words in question.values],
            )
