"""Log a dispense: the same again in one form, one row for each line of the patient and some to spare."""

from datetime import date
from typing import Any
from urllib.parse import urlencode
from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from resupply import clock
from resupply.models import CatalogueItem, Dispense, Given
from resupply.services import dispensing, fittings, plans
from resupply.services.dispensing import NewLine, Stopped
from resupply.services.errors import Refused
from resupply.web import access
from resupply.web.access import StaffRequest, can, may
from resupply.web.desk.dispense_desk import Desk
from resupply.web.desk.dispense_sheet import Sheet, fitting_of, sheet_of
from resupply.web.desk.scanning import Scanned, scan_form
from resupply.web.forms import show
from resupply.web.methods import GET_OR_POST
from resupply.web.wording import day_words, kind_word


@may("dispense.record")
@GET_OR_POST
def dispense(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """The form, prefilled with what may go out today; sent, the patient's page with the plan it changed."""
    person = access.patient_or_404(request, public_id)
    plans.refresh_if_run_out(person, now=clock.now())
    desk = Desk.read(request, person)
    sheet = sheet_of(request, desk)
    recorded = _record(request, sheet) if sheet.is_sent else None
    if recorded is not None:
        if fitting := fitting_of(request, desk):
            fittings.given_out(fitting, recorded)
        messages.success(request, _said(recorded, desk.today))
        return redirect("desk:patient", person.public_id)
    if done := sheet.scanned.done if sheet.scanned else sheet.done:
        messages.success(request, done)
    rows = sheet.shown()
    context = {
        "person": person,
        "today": desk.today,
        "desk": desk,
        "form": sheet.head,
        "rows": rows,
        "form_rows": sheet.formset,
        "has_errors": sheet.has_errors,
        "is_short": sheet.is_short,
        "is_outside": any(row.is_outside for row in rows),
        "answered": sheet.answered,
        "fitting": sheet.fitting,
        "order": sheet.order,
        "scan": scan_form(request, sheet.scanned),
        "scanned": sheet.scanned,
        "new_item_url": _new_item_url(request, sheet.scanned),
        "back_url": reverse("desk:patient", args=[person.public_id]),
    }
    return render(request, "desk/dispense.html", context, status=422 if sheet.is_refused else 200)


def _record(request: StaffRequest, sheet: Sheet) -> Dispense | None:
    """What the service recorded; None where the form has to be mended, with the errors in place."""
    if not (sheet.head.is_valid() and sheet.formset.is_valid()):
        return None
    wanted = [(place, form) for place, form in enumerate(sheet.formset) if form.is_wanted]
    head, items = sheet.head.cleaned_data, sheet.desk.by_id
    try:
        return dispensing.record_dispense(
            patient=sheet.desk.person,
            lines=[_new_line(form.cleaned_data, items) for _, form in wanted],
            by=request.staff.user,
            now=clock.now(),
            **{name: head[name] for name in _HEAD},
        )
    except Stopped as stopped:
        for refusal in stopped.rows:
            show(refusal, wanted[refusal.row or 0][1])
    except Refused as refusal:
        show(refusal, sheet.head if refusal.row is None else wanted[refusal.row][1])
        if refusal.code == "not_in_stock" and refusal.row is not None:
            sheet.refused_short.add(wanted[refusal.row][0])
    return None


_HEAD = (
    "location", "dispensed_on", "given", "supplied_by", "carrier", "tracking_id", "delivery_address",
    "allow_short", "form_key",
)  # fmt: skip


def _new_line(row: dict[str, Any], items: dict[int, CatalogueItem]) -> NewLine:
    """A row as the service takes it."""
    sort, _, key = row["part"].partition(":")
    return NewLine(
        quantity=row["quantity"],
        item=items[int(key)] if sort == "item" else None,
        part_code=key if sort == "code" else "",
        billed={"yes": True, "no": False}.get(row["billed"]),
        **{name: row[name] for name in _ROW},
    )


_ROW = (
    "lot", "expires_on", "serial", "first_use_on", "size_kept", "exception_reason", "notice", "notice_on",
)  # fmt: skip


def _new_item_url(request: StaffRequest, scanned: Scanned | None) -> str:
    """Where the item of an unknown number is added, for those who may: on a page beside this one, which keeps
    what was typed.
    """
    if not (scanned and scanned.unknown and can(request, "catalogue.change")):
        return ""
    name, number = scanned.unknown
    return f"{reverse('manager:item_new')}?{urlencode({name: number})}"


def _said(recorded: Dispense, today: date) -> str:
    """What was logged, in words."""
    parts = [f"{line.quantity} × {kind_word(line.kind).lower()}" for line in recorded.lines.all()]
    how = "Shipped" if recorded.given == Given.SHIPPED else "Dispensed"
    return f"{how} on {day_words(recorded.dispensed_on, today=today)}: {', '.join(parts)}."
