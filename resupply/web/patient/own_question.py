"""The refill question on the patient's own page: the same page and the same three taps, no new link."""

from django.http import HttpResponse

from resupply import clock
from resupply.queries import questions as question_queries
from resupply.web.methods import GET_HEAD_OR_POST
from resupply.web.own_address import own_address
from resupply.web.patient.ask import Asking, respond
from resupply.web.patient.doors import PatientRequest, door, to


@door
@GET_HEAD_OR_POST
def question(request: PatientRequest) -> HttpResponse:
    """GET shows the patient's latest question, or what was answered; POST records. None: their page."""
    found = question_queries.latest(request.patient)
    if found is None:
        return to(request, "page")
    here = own_address(request, "question")
    return respond(Asking(request, found, request.language, here, clock.now(), is_own_page=True))
