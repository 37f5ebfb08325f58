"""Messages that did not arrive, for staff: handled, sent once more, stopped; addresses confirmed."""

from functools import partial
from uuid import UUID

from django import forms
from django.http import HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.delivery.carriers import carriers
from resupply.models import Channel
from resupply.queries import failures as queries
from resupply.services import bounces, failures, optouts
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.act import act, confirmed, take_back
from resupply.web.forms import HandledForm
from resupply.web.methods import GET_OR_POST, posted
from resupply.web.wording import day_words

LISTED = 200
WHY = {
    "bounced": "came back",
    "late": "ran late: its day was over before it could go out",
    "unsure": "broke off while being sent; it may have arrived",
    "failed": "could not be sent",
}


class StopForm(forms.Form):
    """Which messages end, and how the patient asked for it."""

    channel = forms.ChoiceField(
        label="Stop",
        choices=[("", "Everything"), *((one.value, one.label) for one in optouts.STOPPABLE)],
        required=False,
    )
    how = forms.CharField(
        label="How the patient asked for it", max_length=120, help_text="For example: on the phone."
    )


@may("patient.messages")
@require_GET
def undelivered(request: StaffRequest) -> HttpResponse:
    """What did not arrive and waits for a person, the newest first."""
    today = clock.today(request.zone)
    found = queries.failures(request.location_ids, today=today, at_most=LISTED + 1)
    context = {
        "rows": [(failure, WHY[failure.why]) for failure in found[:LISTED]],
        "is_cut": len(found) > LISTED,
        "today": today,
    }
    return render(request, "desk/undelivered.html", context)


@may("question.change")
@GET_OR_POST
def handled(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """A person saw to a message that did not arrive."""
    message = access.message_or_404(request, public_id)
    sent = posted(request)
    form = HandledForm(sent, example="called instead, new address asked for")

    def write() -> str:
        failures.handle(message, note=form.cleaned_data["note"], by=request.staff.user, now=clock.now())
        return "Marked as handled."

    return act(
        request, form, write, person=message.patient, title="A message that did not arrive",
        action="Mark as handled",
        text="It leaves the list of messages that did not arrive and stays in the patient's messages.",
        back_url=reverse("desk:undelivered"),
    )  # fmt: skip


@may("question.change")
@GET_OR_POST
def resend(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Send a message that did not arrive once more."""
    message = access.message_or_404(request, public_id)
    today = clock.today(message.patient.time_zone)

    def write() -> str:
        again = failures.resend(message, by=request.staff.user, now=clock.now(), channels=tuple(carriers()))
        return f"The message goes out again on {day_words(again.day, today=today)}."

    return act(
        request, confirmed(request), write, person=message.patient,
        title="Send again", action="Send the message again",
        text="It goes to the address on record, at an hour when messages may be sent, and says what is still "
        "true by then. The limits of messages a day and a week hold here too.",
        back_url=reverse("desk:messages", args=[message.patient.public_id]),
    )  # fmt: skip


@may("patient.edit")
@GET_OR_POST
def stop(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """End messages to a patient at once."""
    person = access.patient_or_404(request, public_id)
    form = StopForm(posted(request))

    def write() -> str:
        channel = form.cleaned_data["channel"] or None
        optouts.stop(
            person, channel=channel, how=form.cleaned_data["how"], by=request.staff.user, now=clock.now()
        )
        return f"Stopped: {Channel(channel).label.lower() if channel else 'all messages and calls'}."

    return act(
        request, form, write, person=person, title="Stop messages", action="Stop these messages", danger=True,
        text="It holds from this moment. What waits is not sent. A later yes is recorded as an answer about "
        "messages.",
        back_url=reverse("desk:messages", args=[public_id]),
    )  # fmt: skip


@may("patient.edit")
@GET_OR_POST
def confirm(request: StaffRequest, public_id: UUID, pk: int) -> HttpResponse:
    """Say that an address is right although a message came back from it."""
    person = access.patient_or_404(request, public_id)
    bad = access.bad_address_or_404(person, pk)

    return take_back(
        request, partial(bounces.confirm_address, bad), done="The address is written to again.",
        person=person, title="Confirm an address", action="Confirm the address",
        text=f"{bad.address} was said not to exist. Ask the patient first; a wrong address is corrected in "
        "the details instead.",
        back_url=reverse("desk:messages", args=[public_id]), danger=False,
    )  # fmt: skip
