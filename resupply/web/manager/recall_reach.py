"""Reaching those whom a recall concerns: the notice, the list, a contact, the list on paper and as CSV."""

from collections.abc import Iterator
from functools import partial
from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpResponse, StreamingHttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.delivery.carriers import carriers
from resupply.delivery.tables_out import Cell
from resupply.models import Recall, RecallContact, RecallNotice
from resupply.queries import recall_reach as queries
from resupply.queries.recall_reach import Row, Show
from resupply.services import recall_notices as service
from resupply.web import access
from resupply.web.access import StaffRequest, can, may
from resupply.web.act import Back, act, confirmed, take_back
from resupply.web.files import csv_file
from resupply.web.forms import VoidForm, written
from resupply.web.manager.recall_forms import CloseForm, ContactForm
from resupply.web.manager.recall_words import SHOW_WORDS, bar, row_words
from resupply.web.methods import GET_OR_POST, posted
from resupply.web.paging import page_number
from resupply.web.wording import counted

PRINTED = 1000
"""People on paper at most; so many at a time are read for a file."""
_HEADER = (
    "patient_ref", "given_name", "family_name", "birth_date", "phone", "location", "dispensed_on", "part",
    "lot", "in_use_or_spare", "state", "written_at", "last_contact_on", "last_contact", "note",
)  # fmt: skip


@may("recall.see")
@require_GET
def reach(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Whom a recall concerns at one's own locations, and how far reaching them has come."""
    found, page = access.recall_or_404(public_id), page_number(request)
    show, now, today = _show(request), clock.now(), clock.today(request.zone)
    mine = queries.people(found).filter(pk__in=access.patients(request).values("pk"))
    rows, more = queries.page_of(found, queries.shown(mine, show, now=now), today=today, page=page)
    context = _context(request, found, show) | {
        "rows": [row_words(row, now=now) for row in rows],
        "progress": bar(queries.progress(mine)),
        "newer_url": f"?show={show}&page={page - 1}" if page > 1 else "",
        "older_url": f"?show={show}&page={page + 1}" if more else "",
        "notice": queries.standing_notice(found),
    }
    return render(request, "manager/recall_reach.html", context)


@may("recall.see")
@require_GET
def reach_print(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """The list for paper: the call list, unless another is asked for."""
    found, show = access.recall_or_404(public_id), _show(request)
    rows, more = _rows(request, found, show)
    words = [row_words(row, now=clock.now()) for row in rows]
    context = _context(request, found, show) | {"rows": words, "is_cut": more}
    return render(request, "manager/recall_reach_print.html", context)


@may("recall.export")
@require_GET
def reach_csv(request: StaffRequest, public_id: UUID) -> StreamingHttpResponse:
    """Everyone on the list as CSV, sent as it is read."""
    found, show = access.recall_or_404(public_id), _show(request)
    day = clock.today(request.zone).isoformat()
    return csv_file(f"recall-{show}-{day}", _HEADER, _cells(_all_rows(request, found, show)))


@may("recall.change")
@GET_OR_POST
def notice_open(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Open the notice of a recall; messages to those who agreed are queued with it."""
    found = access.recall_or_404(public_id)
    people = queries.people(found).count()
    writable = queries.to_write_to(found, channels=tuple(carriers())).count()

    def write() -> str:
        service.open_notice(found, by=request.staff.user, now=clock.now(), channels=tuple(carriers()))
        return f"Notice opened: {counted(writable, 'message')} on the way. Call the others."

    text = (
        f"People on record who were given what it names: {people}. Of these, {writable} agreed to messages "
        "and will be sent a short message that asks them to call and names no part; the others are on the "
        "call list. Read the notice first: what patients are told is for the prescriber and licensed staff "
        "to decide, by the notice and the part's instructions. This program tells nobody to stop therapy."
    )
    return act(
        request, confirmed(request), write, title="Open a notice", text=text, action="Open the notice",
        **_back(found),
    )  # fmt: skip


@may("recall.change")
@GET_OR_POST
def notice_close(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Close the notice once everybody is reached or written off."""
    found, notice = _standing(public_id)
    form = CloseForm(posted(request))

    def write() -> str:
        service.close_notice(notice, note=form.cleaned_data["note"], by=request.staff.user, now=clock.now())
        return "Notice closed: everybody is reached or written off."

    return act(
        request, form, write, title="Close the notice", action="Close the notice",
        text="It can be closed when everybody, at all locations, is reached or written off with a reason.",
        **_back(found),
    )  # fmt: skip


@may("recall.change")
@GET_OR_POST
def notice_again(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Open a closed notice again, with a reason: somebody was found who was given the part."""
    found, notice = _standing(public_id)
    form = VoidForm(posted(request))

    def write() -> str:
        service.open_again(
            notice, reason=form.cleaned_data["reason"], by=request.staff.user, now=clock.now(),
            channels=tuple(carriers()),
        )  # fmt: skip
        return "The notice is open again. Who agreed to messages and had none is written to; call the others."

    return act(
        request, form, write, title="Open the notice again", action="Open it again",
        text="What was recorded of each contact still counts. The closing stays on record, with your reason.",
        **_back(found),
    )  # fmt: skip


@may("recall.reach")
@GET_OR_POST
def contact(request: StaffRequest, public_id: UUID, patient_id: UUID) -> HttpResponse:
    """Record what came of a contact, beside all there were."""
    found, person = access.recall_or_404(public_id), access.patient_or_404(request, patient_id)
    today = clock.today(person.time_zone)
    form = ContactForm(posted(request), initial={"on": today})

    def write() -> RecallContact:
        return service.record_contact(
            found, person, **form.cleaned_data, by=request.staff.user, now=clock.now()
        )

    if request.method == "POST" and (made := written(form, write)):
        messages.success(request, f"Recorded for {person.name}: {made.get_outcome_display().lower()}.")
        return redirect(f"{reverse('manager:recall_reach', args=[public_id])}?show={Show.CALL}")
    context = {
        "today": today,
        "recall": found,
        "person": person,
        "form": form,
        "contacts": queries.contacts_of(found, person),
        "sent": queries.messages_of(found, person),
        "notice": queries.standing_notice(found),
    }
    return render(request, "manager/recall_contact.html", context, status=422 if form.errors else 200)


@may("recall.reach")
@GET_OR_POST
def contact_void(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Take a contact back with a reason."""
    found = access.recall_contact_or_404(request, public_id)

    return take_back(
        request, partial(service.void_contact, found), done="Contact voided.",
        title=f"Void: {found.get_outcome_display().lower()}, {found.patient.name}",
        text="The record stays, struck through, with your reason.", action="Void the contact",
        done_url=reverse("manager:recall_contact", args=[found.recall.public_id, found.patient.public_id]),
        **_back(found.recall),
    )  # fmt: skip


def _standing(public_id: UUID) -> tuple[Recall, RecallNotice]:
    """A recall and its notice; 404 where it has none that stands."""
    found = access.recall_or_404(public_id)
    notice = queries.standing_notice(found)
    if notice is None:
        raise Http404
    return found, notice


def _back(found: Recall) -> Back:
    """Where the forms about a recall lead back to."""
    return {"back_url": reverse("manager:recall_reach", args=[found.public_id]), "back_label": found.title}


def _show(request: StaffRequest) -> Show:
    asked = request.GET.get("show", "")
    return Show(asked) if asked in {*Show} else Show.CALL


def _rows(request: StaffRequest, found: Recall, show: Show, page: int = 1) -> tuple[list[Row], bool]:
    """So many people as are printed, and whether more follow."""
    mine = queries.people(found).filter(pk__in=access.patients(request).values("pk"))
    asked = queries.shown(mine, show, now=clock.now())
    return queries.page_of(found, asked, today=clock.today(request.zone), page=page, size=PRINTED)


def _all_rows(request: StaffRequest, found: Recall, show: Show) -> Iterator[Row]:
    page, more = 0, True
    while more:
        page += 1
        rows, more = _rows(request, found, show, page)
        yield from rows


def _context(request: StaffRequest, found: Recall, show: Show) -> dict[str, object]:
    address = reverse("manager:recall_reach", args=[found.public_id])
    return {
        "today": clock.today(request.zone),
        "recall": found,
        "show": show,
        "showing": SHOW_WORDS[show],
        "views": [(words, f"{address}?show={one}", one == show) for one, words in SHOW_WORDS.items()],
        "may_change": can(request, "recall.change"),
        "may_export": can(request, "recall.export"),
        "is_everywhere": not request.location_ids,
        "printed": PRINTED,
    }


def _cells(rows: Iterator[Row]) -> Iterator[list[Cell]]:
    """A row each; of several things given, all are in its cells, in one order."""
    for row in rows:
        lines, last, person = row.lines, row.last, row.patient
        yield [
            person.reference, person.given_name, person.family_name, person.birth_date, person.phone,
            person.location.name, "; ".join(line.dispense.dispensed_on.isoformat() for line in lines),
            "; ".join(str(line.item or line.part_code) for line in lines),
            "; ".join(line.lot for line in lines), row.holds, row.state.value,
            row.written_at.isoformat() if row.written_at else "",
            last.on if last else None, last.outcome if last else "", last.note if last else "",
        ]  # fmt: skip
