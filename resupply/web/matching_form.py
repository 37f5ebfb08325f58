"""A matching table in a form: its rules one by one, or the text it is kept in."""

from collections.abc import Iterator
from itertools import chain, groupby
from typing import Any

from django import forms

from resupply.rules.matching_table import BadTableError, Table, read_table
from resupply.rules.matching_words import ALWAYS, gate_words, style_words
from resupply.services.errors import Refused
from resupply.services.matching_rules import Said, with_rules
from resupply.web.matching_rule_forms import Heading, NewRuleForm, RuleForm, fits

NEW_RULES = 2
MOST_FIELDS = 900
"""Of rules: a table with more is changed as text, since a thousand are taken of a browser."""
RULES, TEXT = "rules", "text"


class TableForm(forms.Form):
    """A table, shown as rules where it can be read; `table` is what becomes of it, once validated.

    The text that was opened travels along, so that nobody's rules are lost where the table in force changes
    meanwhile. `turned()` is the form in the other way of showing, with all that was typed.
    """

    table = forms.CharField(
        label="Table",
        strip=False,
        widget=forms.Textarea({"rows": 24, "class": "form-control code", "spellcheck": "false"}),
        help_text="A row for each rule, with its source and mark. A table is taken only if every row can be "
        "used; matches recorded before keep the table they were judged by.",
    )
    shown_as = forms.CharField(required=False, widget=forms.HiddenInput)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        wanted = self.data.get("shown_as") if self.is_bound else self.initial.get("shown_as", RULES)
        self.opened = self._opened() if wanted == RULES else None
        self.rules: list[RuleForm] = []
        self.new_rules: list[NewRuleForm] = []
        if self.opened is None:
            self.initial["shown_as"] = TEXT
            return
        self.initial["shown_as"] = RULES
        self.fields["table"].widget = forms.HiddenInput()
        sent = self.data if self.is_bound else None
        for rule in self.opened.rules:
            self.rules.append(RuleForm(sent, prefix=f"rule-{rule.id}", table=self.opened, rule=rule))
        for number in range(NEW_RULES):
            self.new_rules.append(NewRuleForm(sent, prefix=f"new-{number}", table=self.opened))

    def _opened(self) -> Table | None:
        """The table that is shown rule by rule; None where only the text can be shown."""
        text = self.data.get("table") if self.is_bound else self.initial.get("table")
        try:
            table = read_table(_lines(text or ""))
        except BadTableError:
            return None
        return None if _why_text(table) else table

    @property
    def groups(self) -> Iterator[tuple[str, list[tuple[Heading, RuleForm]]]]:
        """The rules by the question that they ask first."""
        if self.opened is None:
            return
        questions = {question.id: question.text for question in self.opened.questions}
        order = {name: place for place, name in enumerate(questions)}

        def asked(form: RuleForm) -> str:
            return next(iter(form.rule.when), "") if form.rule else ""

        for name, forms_ in groupby(sorted(self.rules, key=lambda form: order.get(asked(form), -1)), asked):
            group = questions.get(name, ALWAYS)
            yield group, [(form.heading(group), form) for form in forms_]

    @property
    def gates(self) -> list[tuple[str, str]]:
        """Styles that come after the others, and unless what: shown here, changed in the text alone."""
        table = self.opened
        if table is None:
            return []
        return [(style_words(gate.styles, table), gate_words(gate, table)) for gate in table.gates]

    @property
    def faults(self) -> list[tuple[str, RuleForm]]:
        """The rules that do not fit as they were sent, each as it is called."""
        parts = chain(self.rules, self.new_rules) if self.is_bound else ()
        return [(form.heading("").when, form) for form in parts if not form.is_valid()]

    def clean(self) -> dict[str, Any]:
        """The text with the rules as they were sent."""
        data = super().clean() or self.cleaned_data
        if "table" not in data:
            return data
        data["table"] = _lines(data["table"])
        if self.opened is not None:
            if self.faults:
                raise forms.ValidationError("Rules need another look; they are open below.")
            data["table"] = self._with_rules(data["table"])
        return data

    def _with_rules(self, text: str) -> str:
        kept: dict[str, Said] = {}
        for form in self.rules:
            if form.rule and (said := form.said()):
                kept[form.rule.id] = said
        new = [
            (form.condition(), said)
            for form in self.new_rules
            if form.has_changed() and (said := form.said())
        ]
        try:
            return with_rules(text, kept, new)
        except Refused as refusal:
            raise forms.ValidationError(refusal.message) from refusal

    def turned(self) -> "TableForm | None":
        """The form in the way of showing that was asked for, with all that was typed; itself where it has to
        be mended first, None where nobody asked.
        """
        wanted = self.data.get("turn")
        if wanted not in (RULES, TEXT):
            return None
        self.full_clean()
        if "table" not in self.cleaned_data or self.non_field_errors():
            return self
        typed = {name: self.data.get(name) for name in self.fields}
        form = type(self)(initial={**typed, "table": self.cleaned_data["table"], "shown_as": wanted})
        if wanted == RULES and form.opened is None:
            self.add_error("table", self._fault())
            return self
        return form

    def _fault(self) -> str:
        """Why a text cannot be shown as rules."""
        try:
            return _why_text(read_table(self.cleaned_data["table"]))
        except BadTableError as fault:
            return str(fault)


def _why_text(table: Table) -> str:
    """Why a table is changed as text alone; empty where its rules can be shown."""
    if len(table.rules) * (len(RuleForm.base_fields) + len(table.styles)) > MOST_FIELDS:
        return "It has more rules than a form takes: change it as text."
    unfit = next((rule.id for rule in table.rules if not fits(rule)), "")
    return (
        f"The rule {unfit} says more than a form of one-line fields takes: change it as text."
        if unfit
        else ""
    )


def _lines(text: str) -> str:
    """A text as it is kept: browsers end lines in their own way."""
    return text.replace("\r\n", "\n")
