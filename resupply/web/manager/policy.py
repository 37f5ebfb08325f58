"""The policy workbench: versions of every kind, and drafts with what they would do."""

from collections.abc import Iterator
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpResponse, StreamingHttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.delivery.tables_out import Cell
from resupply.models import DraftState, JobState, PolicyDraft, PolicyEffect, PolicyKind, PolicyRun
from resupply.queries import workbench
from resupply.queries.workbench import EffectFilter
from resupply.services import policy_changes
from resupply.services.errors import Refused
from resupply.services.policy_changes import background
from resupply.services.versions import MODELS
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.act import ask
from resupply.web.files import csv_file
from resupply.web.forms import VoidForm, written
from resupply.web.manager.policy_forms import FORMS, EffectForm
from resupply.web.manager.policy_list import VersionsForm, groups
from resupply.web.manager.policy_other_forms import OTHER_FORMS, first_values
from resupply.web.manager.policy_other_words import caution
from resupply.web.manager.policy_showing import listed, numbers, shown
from resupply.web.manager.policy_words import says, subject
from resupply.web.methods import GET_OR_POST, posted
from resupply.web.paging import filters_of, number_in, turned, with_filters

ALL_FORMS = FORMS | OTHER_FORMS
_HEADER = (
    "patient_ref", "given_name", "family_name", "location", "payer", "kind", "part_code", "change",
    "supply_ends_before", "supply_ends_after", "refill_before", "refill_after", "ask_before", "ask_after",
    "dispense_before", "dispense_after", "parts_before", "parts_after", "lists_before", "lists_after",
)  # fmt: skip


@may("policy.change")
@require_GET
def policy(request: StaffRequest) -> HttpResponse:
    """Every dated version, by kind, and the drafts."""
    today = clock.today(request.zone)
    form = VersionsForm(request.GET)
    context = {
        "today": today,
        "drafts": [
            (draft, subject(draft.kind, draft), says(draft.kind, draft)) for draft in workbench.open_drafts()
        ],
        "kinds": groups(workbench.versions(today=today), form),
        "form": form,
        "list_url": reverse("manager:policy"),
        "is_narrowed": bool(filters_of(request)),
    }
    return render(request, "manager/policy.html", context)


@may("policy.change")
@GET_OR_POST
def policy_new(request: StaffRequest, kind: str) -> HttpResponse:
    """A draft of a new version, begun from the rule in force; of a payer, where the address names one."""
    today, form_class = clock.today(request.zone), _form_of(kind)
    first = {"effective_from": today, "payer": request.GET.get("payer", "")}
    if request.method == "GET":
        first |= first_values(kind, today)
    form = form_class(posted(request), initial=first)

    def write() -> PolicyDraft:
        return policy_changes.make(form.wanted(), by=request.staff.user, now=clock.now())

    if request.method == "POST" and (turned := form.turned()):
        form = turned
    elif request.method == "POST" and (made := written(form, write)):
        return redirect("manager:policy_draft", made.public_id)
    return _show_form(request, form, kind, back_url=reverse("manager:policy"))


@may("policy.change")
@GET_OR_POST
def policy_edit(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Change a draft; its preview no longer counts."""
    draft = access.policy_draft_or_404(public_id)
    first = {name: getattr(draft, name) for name in ("effective_from", "reason", "source", "payer")}
    form = _form_of(draft.kind)(posted(request), initial=first | draft.values)

    def write() -> bool:
        policy_changes.revise(draft, form.wanted(), by=request.staff.user, now=clock.now())
        return True

    if request.method == "POST" and (turned := form.turned()):
        form = turned
    elif request.method == "POST" and written(form, write):
        return redirect("manager:policy_draft", public_id)
    return _show_form(request, form, draft.kind, back_url=reverse("manager:policy_draft", args=[public_id]))


@may("policy.change")
@GET_OR_POST
def policy_void(request: StaffRequest, kind: str, pk: int) -> HttpResponse:
    """A draft that voids a version, with the reason."""
    if kind not in MODELS:
        raise Http404
    version = access.policy_version_or_404(kind, pk)
    form = VoidForm(posted(request))

    def write() -> PolicyDraft:
        reason = form.cleaned_data["reason"]
        return policy_changes.make_void(
            PolicyKind(kind), pk, reason=reason, by=request.staff.user, now=clock.now()
        )

    if request.method == "POST" and (made := written(form, write)):
        return redirect("manager:policy_draft", made.public_id)
    return ask(
        request, form, title=f"Void: {subject(kind, version)}, {says(kind, version)}",
        action="Make the draft",
        text="This makes a draft. You see what voiding would do before it is applied; the version stays "
        "readable, struck through, with your reason.",
        back_url=reverse("manager:policy"), back_label="Policy",
    )  # fmt: skip


@may("policy.change")
@GET_OR_POST
def policy_draft(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """A draft: what it says, what it would do, and what is to happen with it."""
    draft = access.policy_draft_or_404(public_id)
    if request.method == "POST":
        _act(request, draft, request.POST.get("act", ""))
        return redirect("manager:policy_draft", public_id)
    run = getattr(draft, "run", None)
    job = run.job if run else None
    is_at_work = bool(job and job.state in (JobState.WAITING, JobState.RUNNING))
    whole, each = workbench.totals(draft, request.location_ids)
    context = {
        "today": clock.today(request.zone),
        "draft": draft,
        "kind": PolicyKind(draft.kind).label,
        "subject": subject(draft.kind, draft),
        "says": says(draft.kind, draft),
        "run": run,
        "job": job,
        "is_at_work": is_at_work,
        "is_stopped": background.has_stopped(draft),
        "done": job.progress.get("done", 0) if job else 0,
        "of": job.progress.get("of", 0) if job else 0,
        "is_void": draft.act == "void",
        "is_open": draft.state in (DraftState.DRAFT, DraftState.READY),
        "is_previewed": bool(each) or (run is not None and draft.state == DraftState.READY),
        "places": not request.location_ids,
        "caution": caution(draft),
    }
    context |= numbers(draft, whole, each) | _listed(request, draft, run)
    return render(request, "manager/policy_draft.html", context)


@may("policy.change")
@require_GET
def policy_csv(request: StaffRequest, public_id: UUID) -> StreamingHttpResponse:
    """What a draft would do, line by line, sent as it is read."""
    draft = access.policy_draft_or_404(public_id)
    rows = workbench.effect_rows(draft, _filter(request, draft.kind)[1])
    return csv_file(f"policy-{draft.kind}", _HEADER, _cells(iter(rows)))


def _listed(request: StaffRequest, draft: PolicyDraft, run: PolicyRun | None) -> dict[str, Any]:
    """The list of lines, narrowed and paged, and the first of them drawn."""
    form, wanted = _filter(request, draft.kind)
    page = workbench.effect_page(
        draft, wanted, after=number_in(request, "after"), before=number_in(request, "before")
    )
    return shown(draft, run, page.rows) | {
        "form": form,
        "rows": listed(draft, page.rows, today=clock.today(request.zone)),
        "newer_url": _turned(request, "before", page.before),
        "older_url": _turned(request, "after", page.after),
        "is_narrowed": bool(filters_of(request)),
        "list_url": reverse("manager:policy_draft", args=[draft.public_id]),
        "csv_url": with_filters(request, "manager:policy_csv", draft.public_id),
    }


def _act(request: StaffRequest, draft: PolicyDraft, act: str) -> None:
    """Preview, apply, drop, give up or go on; a refusal is said at the top of the page."""
    by, now = request.staff.user, clock.now()
    back_url = reverse("manager:policy_draft", args=[draft.public_id])
    about = f"{PolicyKind(draft.kind).label}: {subject(draft.kind, draft)}"[:100]
    try:
        if act == "preview":
            background.preview_in_background(
                draft, title=f"Preview · {about}", back_url=back_url, by=by, now=now
            )
        elif act == "apply":
            background.apply_in_background(
                draft, title=f"Change · {about}", back_url=back_url, by=by, now=now
            )
        elif act == "give_up":
            background.give_up_in_background(
                draft, title=f"Take back · {about}", back_url=back_url, by=by, now=now
            )
        elif act == "go_on":
            background.go_on_in_background(draft, title=f"Go on · {about}", back_url=back_url, by=by, now=now)
        elif act == "drop":
            policy_changes.drop(draft, by=by, now=now)
            messages.success(request, "Draft dropped. It stays readable here; no plan has changed.")
    except Refused as refusal:
        messages.error(request, refusal.message)


def _show_form(request: StaffRequest, form: Any, kind: str, *, back_url: str) -> HttpResponse:
    context = {
        "today": clock.today(request.zone),
        "form": form,
        "kind": PolicyKind(kind).label,
        "back_url": back_url,
    }
    return render(request, "manager/policy_form.html", context, status=422 if form.errors else 200)


def _form_of(kind: str) -> type[Any]:
    if kind not in ALL_FORMS:
        raise Http404
    return ALL_FORMS[kind]


def _filter(request: StaffRequest, kind: str) -> tuple[EffectForm, EffectFilter]:
    form = EffectForm(request.GET, locations=access.locations(request), draft_kind=kind)
    form.is_valid()
    return form, form.wanted(request.location_ids)


def _turned(request: StaffRequest, way: str, pk: int) -> str:
    """Where the list of lines goes on, at its place on the page."""
    address = turned(request, way, pk)
    return f"{address}#lines" if address else ""


def _cells(rows: Iterator[PolicyEffect]) -> Iterator[list[Cell]]:
    for row in rows:
        person = row.patient
        yield [
            person.reference, person.given_name, person.family_name, row.location.name,
            row.payer.name if row.payer else "", row.kind, row.part_code, row.change,
            row.supply_ends_before, row.supply_ends_after, row.refill_before, row.refill_after,
            row.ask_before, row.ask_after, row.deliver_before, row.deliver_after,
            row.parts_before, row.parts_after, "; ".join(row.lists_before), "; ".join(row.lists_after),
        ]  # fmt: skip
