"""Texts that came in, at the desk: what waits for a person, what was acted on, and what was done about it."""

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.delivery.texts import shown, takes_texts, textable
from resupply.models import InboundText, Patient
from resupply.queries import inbound as inbound_queries
from resupply.services import inbound
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.forms import HandledForm, written
from resupply.web.methods import GET_HEAD_OR_POST, posted

LISTED = 100
"""Texts shown of each list."""
DONE = {
    "stop": "Asked to stop: texts ended at once.",
    "help": "Asked who we are: answered.",
    "start": "Asked to be written to again.",
    "yes": "A bare yes. It is no record of an answer: ask about each part.",
    "no": "A bare no. It is no record of an answer: ask about each part.",
    "other": "",
}
"""What a text was read to mean, and what was done by itself."""


@may("inbound.see")
@require_GET
def texts(request: StaffRequest) -> HttpResponse:
    """The texts that wait for a person, then those that do not."""
    waiting = list(inbound_queries.waiting(request.location_ids)[: LISTED + 1])
    others = list(inbound_queries.others(request.location_ids)[: LISTED + 1])
    context = {
        "waiting": [_row(text) for text in waiting[:LISTED]],
        "is_cut": len(waiting) > LISTED,
        "others": [_row(text) for text in others[:LISTED]],
        "listed": LISTED if len(others) > LISTED else 0,
        "today": clock.today(request.zone),
    }
    return render(request, "desk/texts.html", context)


@may("inbound.handle")
@GET_HEAD_OR_POST
def handled(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """A person saw to a text."""
    text = access.inbound_text_or_404(request, public_id)
    sent = posted(request)
    form = HandledForm(sent, example="called back, comes in on Friday")

    def write() -> InboundText:
        return inbound.handle(text, note=form.cleaned_data["note"], by=request.staff.user, now=clock.now())

    seen_to = written(form, write) if request.method == "POST" else None
    if seen_to:
        messages.success(request, "Marked as handled.")
        return redirect("desk:texts")
    context = {
        "row": _row(text),
        "form": form,
        "today": clock.today(request.zone),
        "back_url": reverse("desk:texts"),
    }
    return render(request, "desk/text.html", context, status=422 if form.errors else 200)


def _row(text: InboundText) -> dict[str, Any]:
    """A text as it is shown, with its number as people write it, and who may have written."""
    patients = list(text.patients.all())
    return {
        "text": text,
        "number": _as_on_record(text.from_number, patients),
        "patients": patients,
        "done": "" if text.meaning == "stop" and not text.patients.all() else DONE[text.meaning],
    }


def _as_on_record(number: str, patients: list[Patient]) -> str:
    """A number as the patient's record spells it, else as people of its country write it."""
    spellings = (patient.phone for patient in patients if takes_texts(patient.phone))
    return next((typed for typed in spellings if textable(typed) == number), shown(number))
