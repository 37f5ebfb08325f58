"""The form of a refill question. It checks shape; what an answer must hold, services say."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from uuid import uuid4

from django import forms

from resupply.delivery.calendar_words import KINDS
from resupply.models import LARGEST_QUANTITY, Condition, Handover, QuestionPart, RefillAnswer, Wish
from resupply.rules.kinds import Kind
from resupply.rules.question_page import words
from resupply.services.answer_items import NewItem
from resupply.web.needs import NEEDS


@dataclass(frozen=True, slots=True)
class PartFields:
    """The fields about one part, and what it is called."""

    kind: str
    name: str
    wanted: forms.BoundField
    reason: forms.BoundField
    condition: forms.BoundField
    left: forms.BoundField

    @property
    def is_open(self) -> bool:
        """Whether more was said about it, or something there has to be mended."""
        said = (self.reason.value(), self.left.value())
        told = str(self.condition.value() or Condition.UNKNOWN) != Condition.UNKNOWN
        return told or any(said) or bool(self.left.errors)


class AskForm(forms.Form):
    """The whole page. `wish` is the button that was pressed; without one, nothing counts as said."""

    wish = forms.ChoiceField(choices=Wish.choices)
    using = forms.ChoiceField(required=False, widget=forms.RadioSelect)
    reason = forms.ChoiceField(required=False, widget=forms.RadioSelect)
    handover = forms.ChoiceField(required=False, widget=forms.RadioSelect)
    note = forms.CharField(required=False, max_length=500, widget=forms.Textarea({"rows": 3}))
    answered_by = forms.CharField(required=False, max_length=160)
    relation = forms.CharField(required=False, max_length=80)
    form_key = forms.UUIDField(widget=forms.HiddenInput)

    def __init__(
        self, *args: Any, parts: Sequence[QuestionPart], language: str, handover: str, **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.said = words(language)
        self.usual_handover = handover
        self._choices("using", ("yes", "using_yes"), ("no", "using_no"))
        self._choices("reason", *((key, f"reason_{key}") for key in NEEDS))
        self._choices("handover", (Handover.COLLECT, "collect"), (Handover.SHIP, "ship"))
        self.fields["handover"].initial = handover
        self.fields["form_key"].initial = uuid4
        for name in ("note", "answered_by", "relation"):
            self.fields[name].error_messages["max_length"] = self.said["too_long"]
            self.fields[name].widget.attrs["class"] = "form-control"
        self.parts = [self._part(part.kind, KINDS[language][Kind(part.kind)]) for part in parts]
        for field in self.fields.values():
            field.error_messages |= dict.fromkeys(("required", "invalid_choice"), self.said["choose"])

    @property
    def about_somebody(self) -> bool:
        """Whether somebody answers for the patient."""
        return any(bool(self[name].value() or self[name].errors) for name in ("answered_by", "relation"))

    @property
    def problems(self) -> list[tuple[str, str]]:
        """What has to be mended, each with the id of the field it is about."""
        found = []
        for name, errors in self.errors.items():
            anchor = "" if name in {"__all__", "wish", "form_key"} else self[name].auto_id
            found += [(anchor, str(error)) for error in errors]
        return found

    def clean(self) -> dict[str, Any]:
        """A yes says that the equipment is in use, which parts, and why."""
        data: dict[str, Any] = super().clean() or {}
        if bool(data.get("answered_by")) != bool(data.get("relation")):
            self.add_error("answered_by", self.said["somebody_missing"])
        if data.get("wish") != Wish.YES:
            return data
        if not data.get("using"):
            self.add_error("using", self.said["using_missing"])
        elif data["using"] == "no":
            self.add_error("using", self.said["not_using"])
        wanted = [part for part in self.parts if data.get(f"want-{part.kind}") == "yes"]
        if not wanted:
            self.add_error(None, self.said["none_wanted"])
        if not data.get("reason") and any(not data.get(f"reason-{part.kind}") for part in wanted):
            self.add_error("reason", self.said["reason_missing"])
        return data

    def answer(self) -> dict[str, Any]:
        """What the service takes of a valid form."""
        data = self.cleaned_data
        return {
            "wish": data["wish"],
            "items": [self._item(part.kind, data) for part in self.parts],
            "still_using": {"yes": True, "no": False}.get(data["using"]),
            "handover": data["handover"] or self.usual_handover,
            "note": data["note"],
            "answered_by": data["answered_by"],
            "relation": data["relation"],
            "form_key": data["form_key"],
        }

    def _item(self, kind: str, data: Mapping[str, Any]) -> NewItem:
        wanted = data["wish"] == Wish.YES and data[f"want-{kind}"] == "yes"
        reason = (data[f"reason-{kind}"] or data["reason"]) if wanted else ""
        need, told = NEEDS.get(reason, ("", Condition.UNKNOWN))
        condition = data[f"condition-{kind}"] or Condition.UNKNOWN
        return NewItem(
            kind=kind,
            wanted=wanted,
            need=need,
            condition=told if condition == Condition.UNKNOWN else condition,
            left=data[f"left-{kind}"],
        )

    def _part(self, kind: str, name: str) -> PartFields:
        """The fields of one part: needed unless the patient says otherwise, as the plan has it."""
        said = self.said
        self.fields[f"want-{kind}"] = forms.ChoiceField(
            choices=[("yes", said["need"]), ("no", said["need_not"])],
            widget=forms.RadioSelect,
            required=False,
            initial="yes",
        )
        reasons = [("", said["reason_same"]), *((key, said[f"reason_{key}"]) for key in NEEDS)]
        self.fields[f"reason-{kind}"] = forms.ChoiceField(
            choices=reasons, required=False, widget=forms.Select({"class": "form-select"})
        )
        self.fields[f"condition-{kind}"] = forms.ChoiceField(
            choices=[(one.value, said[f"condition_{one.value}"]) for one in Condition],
            required=False,
            initial=Condition.UNKNOWN,
            widget=forms.Select({"class": "form-select"}),
        )
        wrong = said["left_wrong"]
        self.fields[f"left-{kind}"] = forms.IntegerField(
            min_value=0,
            max_value=LARGEST_QUANTITY,
            required=False,
            widget=forms.NumberInput({"class": "form-control", "inputmode": "numeric"}),
            error_messages={"invalid": wrong, "min_value": wrong, "max_value": wrong},
        )
        names = (f"{field}-{kind}" for field in ("want", "reason", "condition", "left"))
        return PartFields(kind, name, *(self[name] for name in names))

    def _choices(self, name: str, *choices: tuple[str, str]) -> None:
        field = self.fields[name]
        assert isinstance(field, forms.ChoiceField)  # noqa: S101 - for the type checker
        field.choices = [(value, self.said[key]) for value, key in choices]


def first(answer: RefillAnswer | None) -> dict[str, Any]:
    """What the form opens on where an answer is changed: what was said. Reason and yes are given anew."""
    if answer is None or answer.wish == Wish.STOP:
        return {}
    initial: dict[str, Any] = {
        "using": "" if answer.still_using is None else "yes" if answer.still_using else "no",
        "handover": answer.handover,
        "note": answer.note,
        "answered_by": answer.answered_by if answer.relation else "",
        "relation": answer.relation,
    }
    keys = {text: key for key, (text, _) in NEEDS.items()}
    for item in answer.items.all():
        wanted = item.wanted or answer.wish != Wish.YES
        initial |= {
            f"want-{item.kind}": "yes" if wanted else "no",
            f"reason-{item.kind}": keys.get(item.need, ""),
            f"left-{item.kind}": item.left,
        }
    return initial
