"""Forms of the catalogue. They check shape; whether an item may be so, the service decides."""

from collections.abc import Iterable, Mapping
from functools import partial
from typing import Any

from django import forms

from resupply.models import CatalogueItem, Magnetic
from resupply.queries.catalogue import CatalogueFilter
from resupply.rules.gs1 import LONGEST
from resupply.rules.kinds import Kind
from resupply.rules.tables import part_types
from resupply.services.catalogue import ItemDetails, may_be_packed, starts_without_magnets
from resupply.web.forms import SuggestingInput, any_kind, code_choices

MAGNET_WORDS: dict[str, str] = {
    Magnetic.NO: "no magnets",
    Magnetic.YES: "holds magnets",
    Magnetic.UNKNOWN: "not known (counts as yes)",
}
_OFFERED = {"yes": True, "no": False}
_AS_PRINTED = {"autocomplete": "off", "autocapitalize": "off", "spellcheck": "false", "data-scan": True}


class CatalogueForm(forms.Form):
    """Narrow the list; empty fields do not."""

    words = forms.CharField(label="Search", required=False, max_length=80, widget=forms.SearchInput)
    kind = any_kind()
    family = forms.ChoiceField(label="Mask family", required=False)
    magnetic = forms.ChoiceField(
        label="Magnets",
        required=False,
        choices=[("", "Any"), ("yes", "yes"), ("no", "no"), ("unknown", "not known")],
    )
    offered = forms.ChoiceField(
        label="Offered", required=False, choices=[("", "Any"), ("yes", "offered"), ("no", "no longer")]
    )
    order = forms.CharField(required=False, widget=forms.HiddenInput)

    def __init__(self, *args: Any, families: Iterable[str], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["family"].choices = [("", "All families"), *((name, name) for name in families)]  # type: ignore[attr-defined]

    def wanted(self) -> CatalogueFilter:
        """What the list is narrowed to; what does not fit its field narrows nothing."""
        data = self.cleaned_data
        return CatalogueFilter(
            words=data.get("words") or "",
            kind=data.get("kind") or "",
            family=data.get("family") or "",
            magnetic=data.get("magnetic") or "",
            offered=_OFFERED.get(data.get("offered") or ""),
        )


class ItemForm(forms.Form):
    """An item of the shelf; `details()` is what the service takes."""

    name = forms.CharField(label="Name", max_length=120, help_text="As its pack names it, without the size.")
    part_code = forms.ChoiceField(
        label="Part and billing code",
        choices=partial(code_choices, "Choose the part"),
        help_text="The kind of part follows from the code.",
    )
    family = forms.CharField(
        label="Mask family",
        max_length=60,
        required=False,
        widget=SuggestingInput,
        help_text="Masks and the parts that fit them share a family. Leave it empty for what fits any mask.",
    )
    style = forms.ChoiceField(
        label="Mask style",
        required=False,
        help_text="Fittings of this mask need it.",
    )
    size = forms.CharField(label="Size", max_length=20, required=False)
    pack_sizes = forms.CharField(
        label="Sizes in a fit pack",
        max_length=260,
        required=False,
        help_text="For one pack with several sizes, of which the patient keeps one: S, M, L. "
        "The size kept is recorded at the dispense.",
    )
    contains = forms.MultipleChoiceField(
        label="Packed with the mask",
        required=False,
        widget=forms.CheckboxSelectMultiple,
        help_text="For a complete mask: the parts in its box. They start on the day the mask does.",
    )
    magnetic = forms.ChoiceField(
        label="Magnets",
        choices=[("unknown", "Not known: counts as yes"), ("no", "No magnets"), ("yes", "Holds magnets")],
    )
    gtin = forms.CharField(
        label="GTIN",
        max_length=LONGEST,
        required=False,
        help_text="The digits under the bar code, or the whole scan.",
        widget=forms.TextInput(_AS_PRINTED),
    )
    hibc = forms.CharField(
        label="HIBC code",
        max_length=60,
        required=False,
        help_text="Where the pack carries HIBC instead: from + to the last character.",
        widget=forms.TextInput(_AS_PRINTED),
    )
    code_note = forms.CharField(
        label="Note on the code",
        max_length=300,
        required=False,
        widget=forms.Textarea({"rows": 2}),
        help_text="Why this billing code, where the clinic had to choose. Shown wherever the item is.",
    )
    is_offered = forms.BooleanField(
        label="Offered",
        required=False,
        help_text="Unticked, nobody can dispense it any more. It stays on record: items are never deleted.",
    )
    drawn_for = forms.CharField(required=False, widget=forms.HiddenInput)
    """The code the form was drawn for: what depends on it follows when it changes."""

    def __init__(self, *args: Any, families: Iterable[str], styles: Mapping[str, str], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["family"].widget.words = families
        self.fields["style"].choices = [("", "Not said"), *styles.items()]  # type: ignore[attr-defined]
        self.fields["contains"].choices = [  # type: ignore[attr-defined]
            (code, f"{code} {part_types()[code].name}") for code in may_be_packed()
        ]
        if self.kind not in {None, Kind.MASK}:
            for name in ("style", "contains"):
                if not self[name].value():
                    del self.fields[name]

    @property
    def kind(self) -> Kind | None:
        """The kind of part chosen so far."""
        part = part_types().get(self["part_code"].value() or "")
        return part.kind if part else None

    def details(self) -> ItemDetails:
        """The details typed; only for a valid form."""
        data = self.cleaned_data
        return ItemDetails(
            name=data["name"],
            part_code=data["part_code"],
            family=data["family"],
            style=data.get("style", ""),
            size=data["size"],
            contains=tuple(data.get("contains", ())),
            pack_sizes=tuple(data["pack_sizes"].split(",")),
            gtin=data["gtin"],
            hibc=data["hibc"],
            code_note=data["code_note"],
            magnetic=data["magnetic"],
            is_offered=data["is_offered"],
        )

    @staticmethod
    def initial_of(item: CatalogueItem) -> dict[str, Any]:
        """What the form shows of an item on record."""
        names = (
            "name", "part_code", "family", "style", "size", "contains", "magnetic", "gtin", "hibc",
            "code_note",
        )  # fmt: skip
        shown = {name: getattr(item, name) for name in names}
        return shown | {
            "pack_sizes": ", ".join(item.pack_sizes),
            "is_offered": item.is_offered,
            "drawn_for": item.part_code,
        }


def start_of(code: str) -> str:
    """What the magnets of a new item with a code start at; "" stands for a code not chosen yet."""
    part = part_types().get(code)
    return Magnetic.NO if part and starts_without_magnets(part.kind) else Magnetic.UNKNOWN


def redrawn(sent: Any) -> dict[str, Any]:
    """What was typed, as the start of the form for another code; magnets nobody touched start anew."""
    typed = {name: sent.get(name, "") for name in ItemForm.base_fields if name != "contains"}
    typed["contains"] = sent.getlist("contains")
    if typed["magnetic"] == start_of(typed["drawn_for"]):
        typed["magnetic"] = start_of(typed["part_code"])
    return typed | {"drawn_for": typed["part_code"], "is_offered": "is_offered" in sent}
