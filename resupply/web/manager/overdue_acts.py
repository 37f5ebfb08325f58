"""Acts on overdue lines, one or many: chosen on the list, seen before they are done, undone as a whole.

The page of an act shows who it would be done to and who is left out, and asks for what it needs. It carries
the digest of what it showed: where something has changed in between, it is shown again before anything is
done.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from hashlib import sha256
from itertools import islice
from uuid import UUID

from django import forms
from django.contrib import messages
from django.http import HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.delivery.carriers import carriers
from resupply.delivery.overdue_words import left_out_words
from resupply.models import Act, BulkAct, PlanLine, Staff
from resupply.queries.overdue import (
    OverdueFilter,
    Snoozed,
    overdue_lines,
    with_what_a_row_shows,
)
from resupply.services import overdue_acts
from resupply.services.errors import Refused
from resupply.services.overdue_acts import Preview, Wish
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.act import ask
from resupply.web.forms import show
from resupply.web.manager.forms import NOBODY, AssignForm, NoteForm, SnoozeForm, staff_of
from resupply.web.manager.overdue import Asked, asked_for
from resupply.web.manager.overdue_act_words import BUTTONS, TITLES, done_words, left_out_said, undone_words
from resupply.web.methods import GET_OR_POST

SHOWN = 200
"""Names of a preview; the counts are of all."""
LISTED = 50
"""Acts that the page of what somebody did lists."""


@dataclass(slots=True)
class Chosen:
    """What is to be done to which lines. `is_cut`: the filter holds more than one act may be done to."""

    act: Act
    lines: Sequence[PlanLine]
    is_cut: bool
    query: str
    asked: Asked


@may("overdue.act")
@GET_OR_POST
def overdue_act(request: StaffRequest) -> HttpResponse:
    """Preview an act, and do it once what is shown is what will be done."""
    chosen = _chosen(request)
    if chosen is None or not chosen.lines:
        return render(request, "manager/overdue_act_none.html", {"today": clock.today(request.zone)})
    is_confirmed = "seen" in request.POST
    form = _form(chosen.act, request, bound=is_confirmed)
    wish = _wish(chosen.act, form) if is_confirmed else Wish(act=chosen.act)
    today = chosen.asked.today
    seen = overdue_acts.preview(chosen.lines, wish or Wish(act=chosen.act), today=today)
    changed = is_confirmed and request.POST["seen"] != _digest(seen)
    if wish is not None and is_confirmed and not changed:
        try:
            bulk = overdue_acts.act(
                chosen.lines,
                wish,
                by=request.staff.user,
                today=today,
                now=clock.now(),
                channels=tuple(carriers()),
            )
        except Refused as refusal:
            show(refusal, form)
        else:
            messages.success(request, done_words(bulk, today=today))
            return redirect(_list(chosen.query))
    context = _page(chosen, form, seen, changed=changed and wish is not None)
    return render(request, "manager/overdue_act.html", context, status=422 if is_confirmed else 200)


@may("overdue.act")
@require_GET
def overdue_done(request: StaffRequest) -> HttpResponse:
    """What the person asking did last, each to be undone as a whole."""
    mine = BulkAct.objects.filter(acted_by=request.staff.user_id).select_related("assigned_to")
    today = clock.today(request.zone)
    found = list(mine.order_by("-pk")[: LISTED + 1])
    context = {
        "rows": [(bulk, done_words(bulk, today=today)) for bulk in found[:LISTED]],
        "is_cut": len(found) > LISTED,
        "today": today,
    }
    return render(request, "manager/overdue_done.html", context)


@may("overdue.act")
@GET_OR_POST
def overdue_undo(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Undo an act as a whole."""
    bulk = access.bulk_act_or_404(request, public_id)
    if request.method == "POST":
        try:
            messages.success(
                request, undone_words(overdue_acts.undo(bulk, by=request.staff.user, now=clock.now()))
            )
        except Refused as refusal:
            messages.error(request, refusal.message)
        return redirect(_list(request.POST.get("query", "")))
    said = done_words(bulk, today=clock.today(request.zone))
    return ask(
        request, None, title="Undo this", action="Undo this",
        text=f"{said} All of it is taken back, but for messages that have gone out.",
        back_url=reverse("manager:overdue_done"), back_label="What you did",
    )  # fmt: skip


def _chosen(request: StaffRequest) -> Chosen | None:
    """The lines that were ticked, or all of the filter, in the order of the list."""
    if request.POST.get("act") not in Act.values:
        return None
    act, query = Act(request.POST["act"]), request.POST.get("query", "")
    asked = asked_for(request, QueryDict(query))
    most = overdue_acts.most_lines(act)
    if request.POST.get("all") == "1":
        lines = list(islice(asked.rows(), most + 1))
        return Chosen(act, lines[:most], len(lines) > most, query, asked)
    ids = {
        int(pk)
        for given in request.POST.getlist("line")
        for pk in given.split(",")
        if pk.isdecimal() and len(pk) < 18
    }
    mine = OverdueFilter(location_ids=request.location_ids or None, snoozed=Snoozed.TOO)
    found = overdue_lines(mine, today=asked.today).filter(pk__in=sorted(ids)[: most + 1])
    order = ("supply_ends_on", "pk") if asked.longest_first else ("-supply_ends_on", "-pk")
    lines = list(with_what_a_row_shows(found).order_by(*order))
    return Chosen(act, lines[:most], len(ids) > most, query, asked)


def _form(act: Act, request: StaffRequest, *, bound: bool) -> forms.Form:
    data = request.POST if bound else None
    if act is Act.ASSIGN:
        return AssignForm(data, staff=staff_of(request.location_ids))
    return {Act.NOTE: NoteForm, Act.SNOOZE: SnoozeForm}.get(act, forms.Form)(data)


def _wish(act: Act, form: forms.Form) -> Wish | None:
    """What the form asks for; None where it is at fault."""
    if not form.is_valid():
        return None
    given = form.cleaned_data
    named = given.get("assigned_to")
    staff = Staff.objects.get(user=int(named)) if named and named != NOBODY else None
    return Wish(act=act, assigned_to=staff, until=given.get("until"), note=given.get("note", ""))


def _digest(seen: Preview) -> str:
    """Of what a preview showed."""
    shown = [*(line.pk for line in seen.lines), *((line.pk, code) for line, code in seen.left_out)]
    return sha256(repr(shown).encode()).hexdigest()[:20]


def _page(chosen: Chosen, form: forms.Form, seen: Preview, *, changed: bool) -> dict[str, object]:
    return {
        "act": chosen.act.value,
        "title": TITLES[chosen.act],
        "button": BUTTONS[chosen.act],
        "form": form,
        "lines": ",".join(str(line.pk) for line in chosen.lines),
        "query": chosen.query,
        "seen": _digest(seen),
        "changed": changed,
        "done_to": len(seen.lines),
        "people": len({line.patient_id for line in seen.lines}),
        "first": seen.lines[:SHOWN],
        "reasons": left_out_said(seen.reasons),
        "left_out": [(line, left_out_words(code)) for line, code in seen.left_out[:SHOWN]],
        "left_out_of": len(seen.left_out),
        "is_cut": chosen.is_cut,
        "most": overdue_acts.most_lines(chosen.act),
        "back_url": _list(chosen.query),
        "today": chosen.asked.today,
    }


def _list(query: str) -> str:
    """The list again, as it was."""
    clean = QueryDict(query).urlencode()
    return f"{reverse('manager:overdue')}?{clean}" if clean else reverse("manager:overdue")
