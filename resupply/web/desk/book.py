"""The book "Dispensed": everything the clinic gave, on screen, as CSV, and for paper."""

from collections.abc import Iterator
from datetime import date

from django.http import HttpResponse, StreamingHttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.delivery.tables_out import Cell
from resupply.models import Dispense, DispenseLine
from resupply.queries.dispense_book import BookFilter, Place, book_page, book_rows
from resupply.queries.slips import described
from resupply.rules.deliveries import keep_until
from resupply.services.records import local_day
from resupply.web import access
from resupply.web.access import StaffRequest, can, may
from resupply.web.desk.book_forms import BookForm
from resupply.web.files import csv_file
from resupply.web.paging import place_in, turned_at, with_filters

PRINTED = 1000
"""Dispenses on paper at most; beyond them the CSV is the better tool."""
_HEADER = (
    "slip", "dispensed_on", "location", "patient_ref", "given_name", "family_name", "given", "carrier",
    "tracking_id", "parcel", "part_code", "description", "item", "quantity", "lot", "serial", "expires_on",
    "exception_reason", "notice", "notice_on", "proof", "received_on", "signed_by", "relation", "kept_until",
    "voided_on", "void_reason",
)  # fmt: skip


@may("dispense.see")
@require_GET
def book(request: StaffRequest) -> HttpResponse:
    """A page of the book."""
    form, wanted, today = _asked(request)
    page = book_page(
        wanted, after=_place(request.GET.get("after", "")), before=_place(request.GET.get("before", ""))
    )
    context = {
        "form": form,
        "today": today,
        "rows": page.rows,
        "newer_url": turned_at(request, "before", _pair(page.before)),
        "older_url": turned_at(request, "after", _pair(page.after)),
        "list_url": reverse("desk:book"),
        "csv_url": with_filters(request, "desk:book_csv") if can(request, "dispense.export") else "",
        "print_url": with_filters(request, "desk:book_print"),
        "may_packets": can(request, "packet.see"),
        "is_narrowed": wanted != BookFilter(seen_at=request.location_ids or None),
    }
    return render(request, "desk/book.html", context)


@may("dispense.export")
@require_GET
def book_csv(request: StaffRequest) -> StreamingHttpResponse:
    """Every part of every dispense as CSV, a row each, sent as it is read."""
    _, wanted, today = _asked(request)
    return csv_file(f"dispensed-{today.isoformat()}", _HEADER, _cells(book_rows(wanted)))


@may("dispense.see")
@require_GET
def book_print(request: StaffRequest) -> HttpResponse:
    """The book for paper, without pages."""
    form, wanted, today = _asked(request)
    rows = [row for row, _ in zip(book_rows(wanted), range(PRINTED + 1), strict=False)]
    context = {
        "today": today,
        "rows": rows[:PRINTED],
        "is_cut": len(rows) > PRINTED,
        "printed": PRINTED,
        "may_export": can(request, "dispense.export"),
        "choices": form.words(today=today),
        "list_url": with_filters(request, "desk:book"),
    }
    return render(request, "desk/book_print.html", context)


def _asked(request: StaffRequest) -> tuple[BookForm, BookFilter, date]:
    """The filters; what does not fit a field is shown there and does not narrow the book."""
    places = access.locations(request)
    form = BookForm(request.GET, locations=places)
    form.is_valid()
    chosen = form.cleaned_data.get("location") or places.first()
    today = clock.today(chosen.time_zone if chosen else "UTC")
    return form, form.wanted(request.location_ids), today


def _cells(dispenses: Iterator[Dispense]) -> Iterator[list[Cell]]:
    for dispense in dispenses:
        for line in dispense.lines.all():
            yield [*_of_dispense(dispense), *_of_line(line), *_of_proof(dispense), *_of_void(line, dispense)]


def _of_dispense(dispense: Dispense) -> list[Cell]:
    patient = dispense.patient
    return [
        dispense.number, dispense.dispensed_on, dispense.location.name, patient.reference,
        patient.given_name, patient.family_name, dispense.given, dispense.carrier, dispense.tracking_id,
        dispense.parcel,
    ]  # fmt: skip


def _of_line(line: DispenseLine) -> list[Cell]:
    return [
        line.part_code, described(line.part_code), str(line.item or ""), line.quantity, line.lot, line.serial,
        line.expires_on, line.exception_reason, line.notice, line.notice_on,
    ]  # fmt: skip


def _of_proof(dispense: Dispense) -> list[Cell]:
    proof = next(iter(dispense.standing_proofs), None)  # type: ignore[attr-defined]
    if proof is None:
        return ["", None, "", "", keep_until(dispense.dispensed_on)]
    kept = keep_until(max(proof.delivered_on, dispense.dispensed_on))
    return [proof.method, proof.delivered_on, proof.signed_by, proof.relation, kept]


def _of_void(line: DispenseLine, dispense: Dispense) -> list[Cell]:
    """The day as the clocks of the location had it."""
    on = local_day(line.voided_at, dispense.location.time_zone) if line.voided_at else None
    return [on, line.void_reason]


def _pair(place: Place | None) -> tuple[date, int] | None:
    return (place.dispensed_on, place.pk) if place else None


def _place(text: str) -> Place | None:
    found = place_in(text)
    return Place(*found) if found else None
