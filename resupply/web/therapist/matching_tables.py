"""The clinic's matching table: versions in force and planned, what each changes, and a new one."""

from dataclasses import dataclass
from uuid import UUID

from django import forms
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.models import MatchingVersion
from resupply.queries import matching as tables_of
from resupply.queries.matching import Difference
from resupply.rules.matching_table import BadTableError, read_table, shipped, shipped_text
from resupply.services import matching
from resupply.web import access
from resupply.web.access import StaffRequest, can, may
from resupply.web.act import act
from resupply.web.forms import VoidForm, day_field, written
from resupply.web.matching_form import TableForm
from resupply.web.methods import GET_OR_POST, posted
from resupply.web.wording import day_words


class VersionForm(TableForm):
    """A table from a day on, with the reason."""

    effective_from = day_field("In force from")
    reason = forms.CharField(
        label="Why",
        max_length=300,
        widget=forms.Textarea({"rows": 2, "class": "form-control"}),
        help_text="Who decided it and on what evidence. It stays on record.",
    )


@dataclass(frozen=True, slots=True)
class VersionRow:
    """A version in the list: whether it is in force, and in how many rows the shipped table differs."""

    version: MatchingVersion
    is_in_force: bool
    differs: int


@may("matching.version")
@require_GET
def versions(request: StaffRequest) -> HttpResponse:
    """Every version, newest first, and the shipped table."""
    today = clock.today(request.zone)
    in_force = tables_of.table_on(today).version
    rows = [
        VersionRow(row, row == in_force, len(list(tables_of.differences(shipped(), read_table(row.table)))))
        for row in tables_of.versions()
    ]
    return render(request, "therapist/matching.html", {"today": today, "rows": rows, "in_force": in_force})


@may("matching.version")
@GET_OR_POST
def new(request: StaffRequest) -> HttpResponse:
    """A new version, begun from the table in force; its changes are shown before it is saved.

    Who may change policy drafts it, and sees its effect on patients first.
    """
    if can(request, "policy.change"):
        return redirect("manager:policy_new", "matching")
    today = clock.today(request.zone)
    current = tables_of.table_on(today)
    first = {
        "table": current.version.table if current.version else shipped_text(),
        "effective_from": today,
    }
    form = VersionForm(posted(request), initial=first)

    def write() -> MatchingVersion:
        return matching.record_version(
            form.cleaned_data["table"],
            effective_from=form.cleaned_data["effective_from"],
            reason=form.cleaned_data["reason"],
            by=request.staff.user,
            now=clock.now(),
        )

    if request.method == "POST" and isinstance(turned := form.turned(), VersionForm):
        form = turned
    saved = form.is_bound and not {"compare", "turn"} & request.POST.keys()
    if saved and (made := written(form, write)):
        messages.success(
            request, f"Table recorded, in force from {day_words(made.effective_from, today=today)}."
        )
        return redirect("therapist:matching_version", made.public_id)
    changes, fault = _compared(form, current)
    context = {"today": today, "form": form, "changes": changes, "fault": fault}
    refused = bool(form.errors) and saved
    return render(request, "therapist/matching_new.html", context, status=422 if refused else 200)


@may("matching.version")
@require_GET
def version(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """One version: why, from when, and what it says differently from the shipped table."""
    row = access.matching_version_or_404(public_id)
    context = {
        "today": clock.today(request.zone),
        "row": row,
        "changes": list(tables_of.differences(shipped(), read_table(row.table))),
    }
    return render(request, "therapist/matching_version.html", context)


@may("matching.version")
@GET_OR_POST
def version_void(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Take a version back with a reason."""
    row = access.matching_version_or_404(public_id)
    if can(request, "policy.change"):
        return redirect("manager:policy_void", "matching", row.pk)
    form, day = VoidForm(posted(request)), day_words(row.effective_from, today=clock.today(request.zone))

    def write() -> str:
        reason = form.cleaned_data["reason"]
        done = matching.void_version(row, reason=reason, by=request.staff.user, now=clock.now())
        return f"Voided: {done.void_reason}. The table before it counts again."

    return act(
        request, form, write, title=f"Void the table of {day}", action="Void the table", danger=True,
        text="The table before it counts again. Matches judged by it stay as they are.",
        done_url=reverse("therapist:matching"), back_label="The table",
        back_url=reverse("therapist:matching_version", args=[row.public_id]),
    )  # fmt: skip


def _compared(form: VersionForm, current: tables_of.TableNow) -> tuple[list[Difference], str]:
    """What the table as typed changes, or why it cannot be used."""
    if not form.is_bound:
        return [], ""
    if faults := form.non_field_errors():
        return [], str(faults[0])
    try:
        typed = read_table(form.cleaned_data.get("table") or form.data.get("table") or "")
    except BadTableError as fault:
        return [], str(fault)
    return list(tables_of.differences(current.table, typed)), ""
