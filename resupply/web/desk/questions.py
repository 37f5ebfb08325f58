"""A refill question in the hands of staff: ask it once more, or take it back with a reason."""

from functools import partial
from uuid import UUID

from django.http import HttpResponse
from django.urls import reverse

from resupply import clock
from resupply.delivery.carriers import carriers
from resupply.services import questions, reminders
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.act import act, confirmed, take_back
from resupply.web.methods import GET_OR_POST
from resupply.web.wording import day_words


@may("question.change")
@GET_OR_POST
def again(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Send one more message of a question, within the patient's hours; an expired one is asked anew."""
    found = access.question_or_404(request, public_id)
    today = clock.today(found.patient.time_zone)

    def write() -> str:
        message = reminders.ask_again(
            found, by=request.staff.user, now=clock.now(), channels=tuple(carriers())
        )
        return f"The question goes out again on {day_words(message.day, today=today)}."

    return act(
        request, confirmed(request), write, person=found.patient,
        title="Ask again", action="Send the question again",
        text="One more message with a link of its own goes to the patient, at an hour when messages may "
        "be sent. It names parts only where the patient chose that. The links of earlier messages go on.",
        back_url=reverse("desk:messages", args=[found.patient.public_id]),
    )  # fmt: skip


@may("question.change")
@GET_OR_POST
def withdraw(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Take a question back: its links end, and what of it waits is not sent."""
    found = access.question_or_404(request, public_id)

    return take_back(
        request, partial(questions.withdraw, found), done="The question is withdrawn.",
        person=found.patient, title="Withdraw the question",
        action="Withdraw the question",
        text="Its links say that they have ended, and nothing more of it is sent. When the parts come to "
        "their next reminder, the patient is asked anew.",
        back_url=reverse("desk:messages", args=[found.patient.public_id]),
    )  # fmt: skip
