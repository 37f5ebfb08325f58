"""The list of versions: narrowed to what counts or will, and the many of payers folded payer by payer."""

from itertools import groupby
from typing import Any

from django import forms
from django.urls import reverse

from resupply.models import Payer, PolicyKind
from resupply.queries.workbench import IN_FORCE, PLANNED, Version
from resupply.services.versions import FIELDS
from resupply.web.forms import dress
from resupply.web.manager.policy_words import says, subject

_CURRENT = (IN_FORCE, PLANNED)
_BY_PAYER = (PolicyKind.ALLOWANCE, PolicyKind.REFILL)
ROOMS = {
    PolicyKind.MATCHING: "therapist:matching",
    PolicyKind.FOLLOW_UPS: "therapist:plans",
    PolicyKind.MESSAGES: "manager:message_terms",
}
"""Where kinds that move no plan are shown in full."""


class VersionsForm(forms.Form):
    """Narrow the list of versions; empty fields do not, but for what is past."""

    kind = forms.ChoiceField(label="About", required=False, choices=[("", "Everything"), *PolicyKind.choices])
    payer = forms.ModelChoiceField(
        Payer.objects.all(), label="Payer", required=False, empty_label="All payers"
    )
    state = forms.ChoiceField(
        label="State", required=False, choices=[("", "In force and planned"), ("all", "Past and voided too")]
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        dress(self)


def groups(found: dict[PolicyKind, list[Version]], form: VersionsForm) -> list[dict[str, Any]]:
    """The kinds to show, each with its versions in folds (of kinds without a payer: one without a name)."""
    data = form.cleaned_data if form.is_valid() else {}
    payer = data.get("payer")
    shown = [data["kind"]] if data.get("kind") else _BY_PAYER if payer else list(found)
    return [
        {
            "kind": kind,
            "label": kind.label,
            "new_url": reverse("manager:policy_new", args=[kind.value]),
            "room_url": reverse(ROOMS[kind]) if kind in ROOMS else "",
            "folds": _folds(kind, [row for row in rows if _is_wanted(row, data)], is_open=payer is not None),
        }
        for kind, rows in found.items()
        if kind in shown
    ]


def _is_wanted(version: Version, data: dict[str, Any]) -> bool:
    payer = data.get("payer")
    if payer is not None and getattr(version.row, "payer_id", None) != payer.pk:
        return False
    return data.get("state") == "all" or version.state in _CURRENT


def _folds(kind: PolicyKind, rows: list[Version], *, is_open: bool) -> list[dict[str, Any]]:
    if kind != PolicyKind.ALLOWANCE:
        return [_fold("", rows, is_open=True)] if rows else []
    ordered = sorted(rows, key=lambda version: (version.row.payer.name, version.row.payer_id))
    return [
        _fold(name, list(found), is_open=is_open)
        for (name, _), found in groupby(
            ordered, key=lambda version: (version.row.payer.name, version.row.payer_id)
        )
    ]


def _fold(name: str, rows: list[Version], *, is_open: bool) -> dict[str, Any]:
    return {
        "name": name,
        "is_open": is_open,
        "planned": sum(version.state == PLANNED for version in rows),
        "rows": [_row(version) for version in rows],
    }


def _row(version: Version) -> dict[str, Any]:
    row, kind = version.row, version.kind
    may_void = not row.is_voided and kind in FIELDS
    return {
        "version": version,
        "row": row,
        "subject": subject(kind, row),
        "says": says(kind, row),
        "void_url": reverse("manager:policy_void", args=[kind.value, row.pk]) if may_void else "",
    }
