"""Why: the steps behind a line's dates and quantities, opened in place, or as a page without script."""

from uuid import UUID

from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.models import Patient
from resupply.queries import facts as facts_of
from resupply.rules.explain import explain_lines
from resupply.rules.kinds import Kind
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.desk.wording import VALUE_LABELS, Wording
from resupply.web.wording import kind_word


@may("patient.see")
@require_GET
def why(request: StaffRequest, public_id: UUID, kind: str) -> HttpResponse:
    """Everything a line says today, and the steps behind it."""
    person = access.patient_or_404(request, public_id)
    groups = _wording(person, kind).all()
    return _shown(request, person, {"groups": groups, "label": kind_word(kind)})


@may("patient.see")
@require_GET
def why_value(request: StaffRequest, public_id: UUID, kind: str, value: str) -> HttpResponse:
    """One date or quantity of a line today, and the steps behind it."""
    person = access.patient_or_404(request, public_id)
    if value not in VALUE_LABELS:
        raise Http404
    wording = _wording(person, kind)
    group = (VALUE_LABELS[value], wording.result(value), wording.of(value))
    return _shown(request, person, {"groups": [group], "label": kind_word(kind)})


def _wording(person: Patient, kind: str) -> Wording:
    """The explanation of one line as of the patient's today; 404 where there is no such line."""
    today = clock.today(person.time_zone)
    facts = facts_of.patient_facts([person.pk])[person.pk]
    explained = explain_lines(facts, facts_of.policy(), as_of=today)
    if kind not in explained:
        raise Http404
    return Wording(explained[Kind(kind)], facts, today=today)


def _shown(request: StaffRequest, person: Patient, context: dict[str, object]) -> HttpResponse:
    template = "desk/_why.html" if request.headers.get("HX-Request") else "desk/why.html"
    return render(request, template, context | {"person": person, "today": clock.today(person.time_zone)})
