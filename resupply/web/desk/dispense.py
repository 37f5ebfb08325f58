"""Log a dispense: several parts in one form, one row for each line of the patient and some to spare."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby
from typing import Any
from uuid import UUID, uuid4

from django.contrib import messages
from django.forms import BaseFormSet
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from resupply import clock
from resupply.models import CatalogueItem, Dispense, DispenseLine, Location, Patient
from resupply.queries import dispenses as dispense_queries
from resupply.rules.tables import part_types
from resupply.services import dispensing, plans
from resupply.services.dispensing import NewLine
from resupply.services.errors import Refused
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.desk.forms import DispenseForm, RowForm, RowFormSet
from resupply.web.desk.rows import LineRow, line_rows
from resupply.web.desk.scanning import MOST_ROWS, Scanned, add_scan, is_scan, scan_form
from resupply.web.forms import show
from resupply.web.wording import day_words, kind_word

BLANK_ROWS = 2
"""Rows for parts that the patient has no line of yet."""


@may("dispense.record")
@require_http_methods(["GET", "POST"])
def dispense(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """The form, prefilled with what may go out today; sent, the patient's page with the plan it changed."""
    person = access.patient_or_404(request, public_id)
    plans.refresh_if_run_out(person, now=clock.now())
    sheet = _sheet(request, person)
    recorded = None
    if request.method == "POST" and not (sheet.scanned or "more" in request.POST):
        recorded = _record(request, person, sheet)
    if recorded is not None:
        messages.success(request, _said(recorded, sheet.today))
        return redirect("desk:patient", person.public_id)
    if sheet.scanned and sheet.scanned.done:
        messages.success(request, sheet.scanned.done)
    context = {
        "person": person,
        "today": sheet.today,
        "form": sheet.head,
        "rows": sheet.rows,
        "form_rows": sheet.formset,
        "has_errors": sheet.has_errors,
        "scan": scan_form(request, sheet.scanned),
        "scanned": sheet.scanned,
        "back_url": reverse("desk:patient", args=[person.public_id]),
    }
    return render(request, "desk/dispense.html", context, status=422 if sheet.is_refused else 200)


@dataclass(slots=True)
class Sheet:
    """The form as a whole. `rows` pairs each row's form with the line it stands for (None: any part);
    `scanned` is what a scan did to them (None: nothing was scanned).
    """

    today: date
    head: DispenseForm
    formset: "BaseFormSet[RowForm]"
    rows: list[tuple[RowForm, LineRow | None]]
    items: dict[int, CatalogueItem]
    scanned: Scanned | None = None

    @property
    def is_refused(self) -> bool:
        """Whether what was sent could not be taken."""
        return self.has_errors or bool(self.scanned and self.scanned.problem)

    @property
    def has_errors(self) -> bool:
        """Whether something typed has to be mended."""
        return bool(self.head.errors) or any(form.errors for form, _ in self.rows)


def _sheet(request: StaffRequest, person: Patient) -> Sheet:
    """The empty, prefilled or returned form."""
    places = list(access.locations(request))
    here = next((place for place in places if place.pk == person.location_id), places[0])
    today = clock.today(here.time_zone)
    latest = dispense_queries.latest_lines(person)
    lines = line_rows(list(person.plan_lines.all()), latest, person.public_id, today=today)
    items = dispense_queries.offered_items(line.item_id for line in latest.values() if line.item_id)
    parts = {"parts": _part_choices(items)}
    locations = access.locations(request)
    scanned = None
    if request.method == "POST" and ("more" in request.POST or is_scan(request)):
        typed = _typed(request)
        if "more" not in request.POST:
            scanned = add_scan(request, typed, items, lines, today=today)
        head = DispenseForm(initial=request.POST.dict(), locations=locations)
        formset = RowFormSet(initial=scanned.rows if scanned else typed, prefix="rows", form_kwargs=parts)
        formset.extra = 0 if scanned else 1
    elif request.method == "POST":
        head = DispenseForm(request.POST, locations=locations)
        formset = RowFormSet(request.POST, prefix="rows", form_kwargs=parts)
    else:
        head = DispenseForm(initial=_first_head(here, today), locations=locations)
        initial = [_first_row(line, latest.get(line.kind)) for line in lines]
        formset = RowFormSet(initial=initial, prefix="rows", form_kwargs=parts)
    by_kind = {line.kind: line for line in lines}
    rows = [(form, by_kind.get(str(form["kind"].value() or ""))) for form in formset]
    return Sheet(today, head, formset, rows, {item.pk: item for item in items}, scanned)


def _record(request: StaffRequest, person: Patient, sheet: Sheet) -> Dispense | None:
    """What the service recorded; None where the form has to be mended, with the errors in place."""
    if not (sheet.head.is_valid() and sheet.formset.is_valid()):
        return None
    wanted = [form for form, _ in sheet.rows if form.is_wanted]
    head = sheet.head.cleaned_data
    try:
        return dispensing.record_dispense(
            patient=person,
            location=head["location"],
            dispensed_on=head["dispensed_on"],
            lines=[_new_line(form.cleaned_data, sheet.items) for form in wanted],
            given=head["given"],
            supplied_by=head["supplied_by"],
            tracking_id=head["tracking_id"],
            form_key=head["form_key"],
            by=request.staff.user,
            now=clock.now(),
        )
    except Refused as refusal:
        show(refusal, sheet.head if refusal.row is None else wanted[refusal.row])
        return None


def _new_line(row: dict[str, Any], items: dict[int, CatalogueItem]) -> NewLine:
    """A row as the service takes it."""
    sort, _, key = row["part"].partition(":")
    return NewLine(
        item=items[int(key)] if sort == "item" else None,
        part_code="" if sort == "item" else key,
        quantity=row["quantity"],
        lot=row["lot"],
        expires_on=row["expires_on"],
        first_use_on=row["first_use_on"],
        billed={"yes": True, "no": False}.get(row["billed"]),
        exception_reason=row["exception_reason"],
    )


def _first_head(here: Location, today: date) -> dict[str, Any]:
    return {"dispensed_on": today, "location": here.pk, "form_key": uuid4()}


def _first_row(line: LineRow, latest: DispenseLine | None) -> dict[str, Any]:
    """The part given last, and as many as are suggested today (none: left empty)."""
    same = latest is not None and latest.part_code == line.plan.code and latest.item_id
    return {
        "kind": line.kind,
        "part": f"item:{latest.item_id}" if same and latest else f"code:{line.plan.code}",
        "quantity": line.status.quantity_suggested or None,
    }


def _typed(request: StaffRequest) -> list[dict[str, str]]:
    """The rows as typed so far, for a form with one more row."""
    sent = request.POST.get("rows-TOTAL_FORMS", "")
    count = min(int(sent), MOST_ROWS) if sent.isdecimal() and len(sent) < 5 else 0
    names = RowForm.base_fields
    return [{name: request.POST.get(f"rows-{i}-{name}", "") for name in names} for i in range(count)]


def _part_choices(items: Sequence[CatalogueItem]) -> list[tuple[str, Any]]:
    """The clinic's items by kind, then the bare codes for what is not in the catalogue."""
    groups: list[tuple[str, Any]] = [("", "Choose a part")]
    for kind, same in groupby(items, key=lambda item: item.kind):
        groups.append((kind_word(kind), [(f"item:{item.pk}", str(item)) for item in same]))
    codes = [(f"code:{part.code}", f"{part.name} ({part.code})") for part in part_types().values()]
    groups.append(("Not in the catalogue", sorted(codes, key=lambda choice: choice[1])))
    return groups


def _said(recorded: Dispense, today: date) -> str:
    """What was logged, in words."""
    parts = [f"{line.quantity} × {kind_word(line.kind).lower()}" for line in recorded.lines.all()]
    return f"Dispensed on {day_words(recorded.dispensed_on, today=today)}: {', '.join(parts)}."
