"""Forms of drafts: one for each kind, all with from when, why and on whose word. They check shape."""

from functools import partial
from typing import Any

from django import forms

from resupply.models import Payer, PolicyKind
from resupply.queries.drafts import LEDGERS
from resupply.queries.workbench import EffectFilter
from resupply.rules.cleaning import cleaning_tasks
from resupply.rules.effects import Change
from resupply.services.policy_changes import Wanted
from resupply.services.versions import FIELDS
from resupply.web.forms import (
    UNIT_CHOICES,
    AtLocationForm,
    any_kind,
    any_location,
    code_choices,
    day_field,
    dress,
)
from resupply.web.manager.forms import SELF_PAY
from resupply.web.manager.policy_words import CHANGES, happens_to


def _number(label: str, **over: Any) -> forms.IntegerField:
    return forms.IntegerField(label=label, min_value=0, max_value=3660, **over)


class DraftForm(forms.Form):
    """What every draft says besides its values; `wanted()` is what the service takes."""

    kind: PolicyKind
    effective_from = day_field("In force from", help_text="It never rewrites what came before that day.")
    reason = forms.CharField(label="Why", max_length=300, help_text="It stays on record with your name.")
    source = forms.CharField(
        label="Source",
        max_length=200,
        required=False,
        help_text="The contract, notice or guideline it rests on.",
    )

    def turned(self) -> forms.Form | None:
        """The form shown in another way, where that was asked for and it has one."""
        return None

    def wanted(self) -> Wanted:
        """Once validated."""
        data = self.cleaned_data
        return Wanted(
            kind=self.kind,
            values={name: data[name] for name in FIELDS[self.kind]},
            payer=data.get("payer"),
            effective_from=data["effective_from"],
            reason=data["reason"],
            source=data["source"],
        )


class LifeForm(DraftForm):
    """The life of a code."""

    kind = PolicyKind.LIFE
    part_code = forms.ChoiceField(label="Part", choices=partial(code_choices, "Choose the part"))
    period_count = _number("Worn after")
    period_unit = forms.ChoiceField(label="Counted in", choices=UNIT_CHOICES, initial="month")
    field_order = ["part_code", "period_count", "period_unit", "effective_from", "reason", "source"]


class AllowanceForm(DraftForm):
    """A payer's usual maximum of a code."""

    kind = PolicyKind.ALLOWANCE
    payer = forms.ModelChoiceField(Payer.objects.all(), label="Payer", empty_label="Choose the payer")
    part_code = forms.ChoiceField(label="Part", choices=partial(code_choices, "Choose the part"))
    units = _number("Units")
    period_count = _number("In a period of")
    period_unit = forms.ChoiceField(label="Counted in", choices=UNIT_CHOICES, initial="month")
    at_once_periods = _number("Periods at once, at most", initial=1)
    field_order = [
        *("payer", "part_code", "units", "period_count", "period_unit", "at_once_periods"),
        *("effective_from", "reason", "source"),
    ]


class RefillForm(DraftForm):
    """How early to ask and to dispense."""

    kind = PolicyKind.REFILL
    payer = forms.ModelChoiceField(
        Payer.objects.all(),
        label="Payer",
        required=False,
        empty_label="The clinic’s own leads",
        help_text="A payer with a rule of its own is planned by it from then on.",
    )
    contact_lead_days = _number("Ask, days before the refill date")
    delivery_lead_days = _number("Dispense, days before the refill date")
    field_order = [
        *("payer", "contact_lead_days", "delivery_lead_days", "effective_from", "reason", "source")
    ]


class TermsForm(DraftForm):
    """The clinic's terms."""

    kind = PolicyKind.TERMS
    gap_days = _number("Days without a question after a delivery", initial=7)
    target_count = _number("A refill aims at a supply of", initial=3)
    target_unit = forms.ChoiceField(label="Counted in", choices=UNIT_CHOICES, initial="month")
    field_order = ["gap_days", "target_count", "target_unit", "effective_from", "reason", "source"]


def _tasks() -> list[tuple[str, str]]:
    return [(code, task.title["en"]) for code, task in sorted(cleaning_tasks().items())]


class CleaningForm(DraftForm):
    """How often a cleaning task is done."""

    kind = PolicyKind.CLEANING
    task = forms.ChoiceField(label="Task", choices=_tasks)
    frequency = forms.ChoiceField(
        label="How often",
        required=False,
        choices=[("daily", "daily"), ("weekly", "weekly"), ("monthly", "monthly"), ("", "not used")],
    )
    field_order = ["task", "frequency", "effective_from", "reason", "source"]


FORMS: dict[str, type[DraftForm]] = {
    form.kind.value: form for form in (LifeForm, AllowanceForm, RefillForm, TermsForm, CleaningForm)
}


class EffectForm(AtLocationForm):
    """Narrow the list of what a draft does; empty fields do not."""

    location = any_location("All locations")
    payer = forms.ChoiceField(label="Payer", required=False)
    kind = any_kind()
    change = forms.ChoiceField(label="What happens", required=False)

    def __init__(self, *args: Any, draft_kind: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if draft_kind not in LEDGERS:
            del self.fields["kind"]
        self.fields["change"].choices = [  # type: ignore[attr-defined]
            ("", "Everything"),
            *((change, CHANGES[change]) for change in happens_to(draft_kind)),
        ]
        payers = [(str(payer.pk), payer.name) for payer in Payer.objects.all()]
        self.fields["payer"].choices = [  # type: ignore[attr-defined]
            ("", "All payers"),
            *payers,
            (SELF_PAY, "The patient pays"),
        ]
        dress(self)

    def wanted(self, location_ids: frozenset[int]) -> EffectFilter:
        """What the list is narrowed to, within the locations one may see (empty: all); once validated."""
        data = self.cleaned_data
        place, payer = data.get("location"), data.get("payer")
        return EffectFilter(
            location_ids=frozenset({place.pk}) if place else location_ids or None,
            payer_id=int(payer) if payer else None,
            kind=data.get("kind") or "",
            change=Change(data["change"]) if data.get("change") else None,
        )
