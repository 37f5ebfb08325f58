"""A patient's matches and fittings on one page."""

from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.queries import fittings as fittings_of
from resupply.queries import matching as matches_of
from resupply.rules.matching_table import shipped
from resupply.web import access
from resupply.web.access import StaffRequest, may


@may("fitting.see")
@require_GET
def fittings(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """What suited, what was tried and what was kept, newest first; and the way on."""
    person = access.patient_or_404(request, public_id)
    today = clock.today(person.time_zone)
    names = {style.id: style.name for style in shipped().styles}
    names |= {style.id: style.name for style in matches_of.table_on(today).table.styles}
    context = {
        "person": person,
        "today": today,
        "matches": [(row, names.get(row.style, row.style)) for row in matches_of.matches(person)],
        "fittings": fittings_of.fittings(person),
        "may_record": access.can(request, "fitting.record"),
    }
    return render(request, "therapist/fittings.html", context)
