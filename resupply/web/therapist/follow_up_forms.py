"""Forms of a follow-up: whether the patient was reached, what troubles them, what is done next."""

from typing import Any

from django import forms

from resupply.queries.follow_ups import Step
from resupply.rules import fitting
from resupply.web.forms import day_field
from resupply.web.therapist.leak_map import leak_fields


class FollowUpForm(forms.Form):
    """One contact. `style` gives the places of leak; without a mask on record there are none."""

    on = day_field("Day")
    reached = forms.TypedChoiceField(
        label="The patient was",
        choices=[("yes", "reached"), ("no", "not reached")],
        coerce=lambda answer: answer == "yes",
        widget=forms.RadioSelect,
        initial="yes",
    )
    step = forms.ChoiceField(label="Step of the plan", required=False)
    problems = forms.MultipleChoiceField(
        label="What troubles the patient",
        required=False,
        choices=[(problem.id, problem.name) for problem in fitting.problems()],
        widget=forms.CheckboxSelectMultiple,
    )
    is_reevaluation = forms.BooleanField(
        label="Seen in person by the treating practitioner, and benefit documented",
        required=False,
        help_text="Counts as the re-evaluation that the covering policy asks for.",
    )
    note = forms.CharField(
        label="Note",
        max_length=500,
        required=False,
        widget=forms.Textarea({"rows": 3, "class": "form-control"}),
    )
    again_on = day_field("Try again from", required=False)

    def __init__(self, *args: Any, steps: list[Step], style: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.sites = fitting.sites(style) if style else ()
        self.fields["step"].choices = [  # type: ignore[attr-defined]
            ("", "Outside the plan"),
            *((step.due.step, step.due.name) for step in steps),
        ]
        self.fields |= leak_fields(style)

    @property
    def leak_fields(self) -> list[forms.BoundField]:
        """The places of leak."""
        return [self[f"leak_{site}"] for site in self.sites]

    def leaks(self) -> dict[str, str]:
        """The places that leak; only for a valid form."""
        marked = {site: self.cleaned_data[f"leak_{site}"] for site in self.sites}
        return {site: leak for site, leak in marked.items() if leak and leak != "none"}
