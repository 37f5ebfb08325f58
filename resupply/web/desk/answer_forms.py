"""Forms for what patients say about refills. They check shape; what an answer must hold, services say."""

from typing import Any

from django import forms

from resupply.models import LARGEST_QUANTITY, AnswerChannel, Condition, Handover, Outcome, Wish
from resupply.services.answer_items import NewItem
from resupply.web.forms import day_field
from resupply.web.needs import NEEDS

_REASONS = [("", "Choose, or type"), *((key, words) for key, (words, _) in NEEDS.items())]
_ASKED = [("yes", "Wants it"), ("no", "Not now"), ("", "Not asked")]


class FirstFocused(forms.RadioSelect):
    """Choices side by side; the page opens with the keyboard on the first."""

    def create_option(self, name: str, value: Any, label: Any, selected: Any, index: int, **over: Any) -> Any:  # type: ignore[override]
        """One choice of them."""
        option = super().create_option(name, value, label, selected, index, **over)
        if index == 0:
            option["attrs"]["autofocus"] = True
        return option


class AnswerForm(forms.Form):
    """What the patient said to the refill as a whole, and who said it when."""

    still_using = forms.ChoiceField(
        label="Are you still using your equipment?",
        choices=[("yes", "Yes"), ("no", "No"), ("unasked", "Not asked")],
        widget=FirstFocused,
        error_messages={"required": "Ask this first, or say that it was not asked."},
    )
    wish = forms.ChoiceField(label="Do you want a refill?", choices=Wish.choices, widget=forms.RadioSelect)
    channel = forms.ChoiceField(label="How the answer came in", choices=AnswerChannel.choices)
    contacted_on = day_field("Day of the contact")
    handover = forms.ChoiceField(
        label="How the parts are wanted", choices=Handover.choices, widget=forms.RadioSelect
    )
    answered_by = forms.CharField(label="Name of the person who answered", max_length=160, required=False)
    relation = forms.CharField(label="Relation to the patient", max_length=80, required=False)
    reason_all = forms.ChoiceField(
        label="Why the parts are needed, unless a part below says its own reason",
        required=False,
        choices=[("", "Choose"), *_REASONS[1:]],
    )
    note = forms.CharField(
        label="Anything else they said",
        max_length=500,
        required=False,
        widget=forms.Textarea({"rows": 2}),
        help_text="A note puts the answer on the list of those that need a person.",
    )
    form_key = forms.UUIDField(widget=forms.HiddenInput)

    @property
    def about_somebody_else(self) -> bool:
        """Whether somebody answered for the patient, or something there has to be mended."""
        fields = (self["answered_by"], self["relation"])
        return any(field.value() or field.errors for field in fields)

    def words(self) -> dict[str, Any]:
        """What the service takes of a valid form."""
        data = dict(self.cleaned_data)
        del data["reason_all"]
        data["still_using"] = {"yes": True, "no": False}.get(data["still_using"])
        return data


class AnswerRowForm(forms.Form):
    """What the patient said about one part."""

    kind = forms.CharField(widget=forms.HiddenInput)
    wanted = forms.ChoiceField(label="Answer", choices=_ASKED, required=False, widget=forms.RadioSelect)
    reason = forms.ChoiceField(label="Why it is needed", required=False, choices=_REASONS)
    need = forms.CharField(label="In the patient's words", max_length=250, required=False)
    condition = forms.ChoiceField(label="The one in use", choices=Condition.choices, required=False)
    left = forms.IntegerField(label="How many left", min_value=0, max_value=LARGEST_QUANTITY, required=False)
    quantity = forms.IntegerField(
        label="How many wanted", min_value=1, max_value=LARGEST_QUANTITY, required=False
    )

    @property
    def is_asked(self) -> bool:
        """Whether the patient said anything about the part."""
        return bool(self.cleaned_data.get("wanted"))

    def item(self, wish: str, usual: str = "") -> NewItem:
        """The item as the service takes it, for the `usual` reason where it has none of its own. To anything
        but a yes, no part is wanted.
        """
        data = self.cleaned_data
        wanted = data["wanted"] == "yes" and wish == Wish.YES
        reason = data["reason"] or (usual if wanted and not data["need"].strip() else "")
        words, told = NEEDS.get(reason, ("", Condition.UNKNOWN))
        condition = data["condition"] or Condition.UNKNOWN
        return NewItem(
            kind=data["kind"],
            wanted=wanted,
            need=": ".join(part for part in (words, data["need"].strip()) if part),
            condition=told if condition == Condition.UNKNOWN else condition,
            quantity=data["quantity"],
            left=data["left"],
        )


AnswerRows = forms.formset_factory(AnswerRowForm, extra=0, max_num=20, absolute_max=20)


class ContactForm(forms.Form):
    """How a call ended."""

    outcome = forms.ChoiceField(label="How the call ended", choices=Outcome.choices, widget=forms.RadioSelect)
    on = day_field("Day")
    again_on = day_field(
        "Try again on",
        required=False,
        help_text="Left empty: the next day where nobody answered, three days after a message was left, a "
        "week after the patient was reached.",
    )
    note = forms.CharField(label="Note", max_length=500, required=False)
