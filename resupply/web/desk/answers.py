"""What patients say about their refills: record it, take it back, see to it; and log the calls that ask."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial
from uuid import UUID, uuid4

from django.contrib import messages
from django.forms import BaseFormSet
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from resupply import clock
from resupply.models import AnswerChannel, Handover, Outcome, Patient, RefillAnswer, Wish
from resupply.queries import said
from resupply.rules.lines import State
from resupply.services import answers, contacts, plans
from resupply.services.errors import Refused
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.act import take_back
from resupply.web.desk.answer_forms import AnswerForm, AnswerRowForm, AnswerRows, ContactForm
from resupply.web.forms import HandledForm, show, written
from resupply.web.line_rows import LineRow, rows_of
from resupply.web.methods import GET_OR_POST, posted
from resupply.web.today_lists import LISTS
from resupply.web.wording import day_words, kind_word

_TO_ASK = {State.ASK, State.DELIVER, State.DUE, State.OVERDUE}


@dataclass(slots=True)
class Sheet:
    """The form as a whole: the head, and each row with the line it is about."""

    today: date
    head: AnswerForm
    formset: "BaseFormSet[AnswerRowForm]"
    rows: list[tuple[AnswerRowForm, LineRow | None]]

    @property
    def has_errors(self) -> bool:
        """Whether something typed has to be mended."""
        return bool(self.head.errors) or any(form.errors for form, _ in self.rows)


@may("answer.record")
@GET_OR_POST
def answer(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """The questions, prefilled with the parts to ask about; saved, on to the dispense where they may go."""
    person = access.patient_or_404(request, public_id)
    plans.refresh_if_run_out(person, now=clock.now())
    sheet = _sheet(request, person)
    if request.method == "POST" and (recorded := _record(request, person, sheet)):
        messages.success(request, _said(recorded, sheet))
        if _may_go_today(recorded, sheet):
            address = reverse("desk:dispense", args=[person.public_id])
            return redirect(f"{address}?answer={recorded.public_id}")
        return redirect(back_to(request, person))
    context = {
        "person": person,
        "today": sheet.today,
        "form": sheet.head,
        "rows": sheet.rows,
        "form_rows": sheet.formset,
        "has_errors": sheet.has_errors,
        "back_url": back_to(request, person),
    }
    return render(request, "desk/answer.html", context, status=422 if sheet.has_errors else 200)


@may("answer.record")
@GET_OR_POST
def answer_handled(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """An answer in full, and the word that somebody has seen to it."""
    found = access.refill_answer_or_404(request, public_id)
    form = HandledForm(posted(request), example="called back, refit on Friday")

    def write() -> bool:
        answers.mark_handled(found, note=form.cleaned_data["note"], by=request.staff.user, now=clock.now())
        return True

    if request.method == "POST" and written(form, write):
        messages.success(request, f"Handled: the answer of {found.patient.name}.")
        return redirect(back_to(request, found.patient))
    context = {
        "person": found.patient,
        "answer": found,
        "items": list(found.items.all()),
        "today": clock.today(found.patient.time_zone),
        "form": form,
        "back_url": back_to(request, found.patient),
    }
    return render(request, "desk/answer_handled.html", context, status=422 if form.errors else 200)


@may("answer.void")
@GET_OR_POST
def answer_void(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Take an answer back with a reason."""
    found = access.refill_answer_or_404(request, public_id)
    today = clock.today(found.patient.time_zone)
    name = f"answer of {day_words(found.contacted_on, today=today)}"

    return take_back(
        request, partial(answers.void_answer, found), done=f"Voided: {name}.",
        person=found.patient, title=f"Void the {name}", action="Void the answer",
        text="The answer before it counts again. This one stays on record, struck through, with your reason.",
    )  # fmt: skip


@may("contact.record")
@GET_OR_POST
def contact(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Log how a call ended."""
    person = access.patient_or_404(request, public_id)
    today = clock.today(person.time_zone)
    form = ContactForm(posted(request), initial={"on": today, "outcome": Outcome.NO_ANSWER})

    def write() -> str:
        made = contacts.log_contact(
            patient=person, by=request.staff.user, now=clock.now(), **form.cleaned_data
        )
        again = f" To try again on {day_words(made.again_on, today=today)}." if made.again_on else ""
        return f"Call to {person.name} logged: {made.get_outcome_display().lower()}.{again}"

    if request.method == "POST" and (done := written(form, write)):
        messages.success(request, done)
        return redirect(back_to(request, person))
    context = {
        "person": person,
        "today": today,
        "form": form,
        "may_call": said.may_call(person),
        "back": request.GET.get("back", ""),
        "here": request.GET.get("location", ""),
        "back_url": back_to(request, person),
    }
    return render(request, "desk/contact.html", context, status=422 if form.errors else 200)


@may("contact.void")
@GET_OR_POST
def contact_void(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Take a contact back with a reason."""
    found = access.contact_or_404(request, public_id)
    today = clock.today(found.patient.time_zone)
    name = f"contact of {day_words(found.on, today=today)}"

    return take_back(
        request, partial(contacts.void_contact, found), done=f"Voided: {name}.",
        person=found.patient, title=f"Void the {name}", action="Void the contact",
        text="The record stays, struck through, with your reason. A refusal of calls that was recorded with "
        "it is taken back too.",
    )  # fmt: skip


def back_to(request: StaffRequest, person: Patient) -> str:
    """Where the desk came from: Today, one of its lists, or the patient's page."""
    back, query = request.GET.get("back", ""), request.GET.copy()
    for name in set(query) - {"location", "order"}:
        del query[name]
    if back == "today":
        address = reverse("home")
    elif back in LISTS:
        address = reverse("worklist", args=[back])
    else:
        return reverse("desk:patient", args=[person.public_id])
    return f"{address}?{query.urlencode()}" if query else address


def _sheet(request: StaffRequest, person: Patient) -> Sheet:
    """The prefilled or returned form."""
    today = clock.today(person.time_zone)
    lines = rows_of(person, today=today)
    if request.method == "POST":
        head, formset = AnswerForm(request.POST), AnswerRows(request.POST, prefix="rows")
    else:
        head = AnswerForm(initial=_first_head(request, person, today))
        formset = AnswerRows(initial=[_first_row(line) for line in lines], prefix="rows")
    by_kind = {line.kind: line for line in lines}
    rows = [(form, by_kind.get(str(form["kind"].value() or ""))) for form in formset]
    return Sheet(today, head, formset, rows)


def _first_head(request: StaffRequest, person: Patient, today: date) -> dict[str, object]:
    """What the form opens on: today, in person or, from a list, by telephone."""
    by_phone = "back" in request.GET
    return {
        "wish": Wish.YES,
        "channel": AnswerChannel.PHONE if by_phone else AnswerChannel.IN_PERSON,
        "contacted_on": today,
        "handover": Handover.SHIP if by_phone and person.address else Handover.COLLECT,
        "form_key": uuid4(),
    }


def _first_row(line: LineRow) -> dict[str, object]:
    """A line to ask about is asked about; the number wanted is what is suggested today."""
    return {
        "kind": line.kind,
        "wanted": "yes" if line.status.state in _TO_ASK else "",
        "quantity": line.status.quantity_suggested or None,
        "condition": "unknown",
    }


def _record(request: StaffRequest, person: Patient, sheet: Sheet) -> RefillAnswer | None:
    """What the service recorded; None where the form has to be mended, with the errors in place."""
    if not (sheet.head.is_valid() and sheet.formset.is_valid()):
        return None
    asked = [form for form, _ in sheet.rows if form.is_asked]
    words, usual = sheet.head.words(), sheet.head.cleaned_data["reason_all"]
    try:
        return answers.record_answer(
            patient=person,
            items=[form.item(words["wish"], usual) for form in asked],
            by=request.staff.user,
            now=clock.now(),
            **words,
        )
    except Refused as refusal:
        show(refusal, sheet.head if refusal.row is None else asked[refusal.row])
        return None


def _wanted(recorded: RefillAnswer) -> Sequence[str]:
    return list(recorded.items.filter(wanted=True).values_list("kind", flat=True))


def _may_go_today(recorded: RefillAnswer, sheet: Sheet) -> bool:
    """Whether one of the wanted parts may be dispensed today."""
    wanted = _wanted(recorded)
    return any(
        line is not None and line.kind in wanted and not line.opens_on and line.status.state != State.PAUSED
        for _, line in sheet.rows
    )


def _said(recorded: RefillAnswer, sheet: Sheet) -> str:
    """What was recorded, in words, with the day from which the parts may go out."""
    if recorded.wish == Wish.STOP:
        return "Recorded: stop asking. Nothing more is sent and nobody calls, from now on."
    wanted = _wanted(recorded)
    if not wanted:
        return "Recorded: not now."
    names = ", ".join(kind_word(kind).lower() for kind in wanted)
    return f"Recorded: yes to {names}.{_when(wanted, sheet)}"


def _when(wanted: Sequence[str], sheet: Sheet) -> str:
    """The day from which the parts may go out, or each one's; nothing where all may now."""
    opens = {line.kind: line.opens_on for _, line in sheet.rows if line and line.kind in wanted}
    said = {
        kind: f"from {day_words(day, today=sheet.today)}" if day else "now" for kind, day in opens.items()
    }
    if set(said.values()) <= {"now"}:
        return ""
    if len(set(said.values())) == 1:
        return f" May go out {said.popitem()[1]}."
    return f" May go out: {', '.join(f'{kind_word(kind).lower()} {when}' for kind, when in said.items())}."
