"""Forms of drafts that move no plan: the matching table, the plan of follow-ups, terms of messages."""

from collections.abc import Iterator
from datetime import date
from typing import Any

from django import forms
from django.forms.boundfield import BoundField

from resupply.models import PolicyKind
from resupply.queries.follow_ups import plan_on
from resupply.queries.matching import table_on
from resupply.queries.message_terms import schedule
from resupply.rules.follow_ups import FollowUpStep, step_code
from resupply.rules.matching_table import shipped_text
from resupply.rules.message_terms import LONGEST_AHEAD, LONGEST_WAIT, MOST_A_WEEK
from resupply.services.follow_ups import MOST_STEPS
from resupply.web.manager.policy_forms import DraftForm
from resupply.web.matching_form import TableForm

STEPS = 6
"""Rows of the form at least; a plan of the clinic rarely has more than four."""
_HOURS = [(f"{hour:02}:00", f"{hour:02}:00") for hour in range(8, 22)]


class MatchingForm(TableForm, DraftForm):
    """A table, begun from the one in force."""

    kind = PolicyKind.MATCHING
    field_order = ["table", "effective_from", "reason", "source", "shown_as"]

    def others(self) -> list[BoundField]:
        """The fields that every draft has."""
        return [self[name] for name in ("effective_from", "reason", "source")]


class MessagesForm(DraftForm):
    """Hours and numbers of messages."""

    kind = PolicyKind.MESSAGES
    opens = forms.ChoiceField(
        label="Messages go out from", choices=_HOURS[:-1], help_text="By the patient’s own clock."
    )
    closes = forms.ChoiceField(label="until", choices=_HOURS[1:])
    per_week = forms.IntegerField(
        label="At most, in any seven days",
        min_value=1,
        max_value=MOST_A_WEEK,
        help_text="One a day and three a week are the most that is allowed.",
    )
    second_ask_days = forms.IntegerField(
        label="Days until a question is asked once more", min_value=1, max_value=LONGEST_WAIT
    )
    link_ahead_days = forms.IntegerField(
        label="Days before the end of a link at which it is written about",
        min_value=1,
        max_value=LONGEST_AHEAD,
    )
    field_order = [
        *("opens", "closes", "per_week", "second_ask_days", "link_ahead_days"),
        *("effective_from", "reason", "source"),
    ]


class FollowUpsForm(DraftForm):
    """Steps with the days after the first night (or the fitting) between which each is due."""

    kind = PolicyKind.FOLLOW_UPS
    field_order = ["effective_from", "reason", "source"]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        known = list(self.initial.get("steps", ()))
        for number in range(MOST_STEPS):
            first = known[number] if number < len(known) else {}
            words = f", step {number + 1}"
            self.fields[f"name_{number}"] = forms.CharField(
                label=f"Name{words}", max_length=40, required=False, initial=first.get("name")
            )
            for name, label in (("from_day", "From day"), ("to_day", "To day")):
                self.fields[f"{name}_{number}"] = forms.IntegerField(
                    label=f"{label}{words}",
                    required=False,
                    min_value=0,
                    max_value=730,
                    initial=first.get(name),
                )

    def clean(self) -> dict[str, Any]:
        """A step has all three, or is left out; they become `steps`."""
        data = super().clean() or self.cleaned_data
        steps = []
        for number in range(MOST_STEPS):
            name, first, last = (data.get(f"{part}_{number}") for part in ("name", "from_day", "to_day"))
            if not name and first is None and last is None:
                continue
            if not name or first is None or last is None:
                self.add_error(f"name_{number}", "Fill in the name and both days, or leave all three empty.")
                continue
            if first > last:
                self.add_error(f"from_day_{number}", "The first day comes before the last.")
            steps.append({"step": step_code(name), "name": name.strip(), "from_day": first, "to_day": last})
        return {**data, "steps": steps}

    def rows(self) -> Iterator[list[BoundField]]:
        """The fields of each step, and of more to be added."""
        rows = [
            [self[f"{name}_{number}"] for name in ("name", "from_day", "to_day")]
            for number in range(MOST_STEPS)
        ]
        is_used = [any(field.value() not in (None, "") for field in row) for row in rows]
        last = max((place for place, used in enumerate(is_used) if used), default=0)
        yield from rows[: max(STEPS, last + 2)]

    def others(self) -> list[BoundField]:
        """The fields that every draft has."""
        return [self[name] for name in ("effective_from", "reason", "source")]


OTHER_FORMS: dict[str, type[DraftForm]] = {
    form.kind.value: form for form in (MatchingForm, FollowUpsForm, MessagesForm)
}


def first_values(kind: str, today: date) -> dict[str, Any]:
    """What the form of a new draft begins from: the rule in force."""
    if kind == PolicyKind.MATCHING:
        now = table_on(today)
        return {"table": now.version.table if now.version else shipped_text()}
    if kind == PolicyKind.FOLLOW_UPS:
        return {"steps": [_row(step) for step in plan_on(today)]}
    if kind == PolicyKind.MESSAGES:
        terms = schedule().on(today)
        hours = {"opens": f"{terms.hours.opens:%H:%M}", "closes": f"{terms.hours.closes:%H:%M}"}
        names = ("per_week", "second_ask_days", "link_ahead_days")
        return hours | {name: getattr(terms, name) for name in names}
    return {}


def _row(step: FollowUpStep) -> dict[str, Any]:
    return {"step": step.step, "name": step.name, "from_day": step.from_day, "to_day": step.to_day}
