"""The patient's page and what stands behind it: history, messages."""

from datetime import date
from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.models import Patient, PatientStatus
from resupply.queries import deliveries as delivery_queries
from resupply.queries import failures, open_days, said
from resupply.queries import patients as patient_queries
from resupply.queries import questions as question_queries
from resupply.queries.deliveries import NextDelivery
from resupply.services import plans
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.line_rows import LineRow, chart_of, rows_of
from resupply.web.paging import paged

MESSAGES = 50
"""On a page of messages."""
RECENT_DISPENSES, RECENT_EVENTS = 4, 6
"""On the patient's page; the history page has all."""

_WAYS = [
    ("Fittings", "therapist:fittings", "fitting.see"),
    ("Follow-up", "therapist:follow_up", "follow_up.record"),
    ("Nights", "therapist:nights", "nights.record"),
    ("Care sheet", "therapist:care_sheet", "care_sheet.see"),
    ("Magnets", "therapist:magnets", "magnets.screen"),
    ("How long parts last", "therapist:own_lives", "life.see"),
    ("Deliveries", "desk:deliveries", "patient.see"),
    ("Device and orders", "desk:equipment", "patient.see"),
    ("Own page", "desk:link", "patient.link"),
    ("Calendar", "desk:calendar", "patient.calendar"),
    ("Messages", "desk:messages", "patient.messages"),
    ("History", "desk:history", "patient.see"),
]
"""Pages about a patient, each with the permission it asks for."""


@may("patient.see")
@require_GET
def patient(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """One patient: where each line stands, what may be dispensed today, what happened last."""
    person = access.patient_or_404(request, public_id)
    plans.refresh_if_run_out(person, now=clock.now())
    today = clock.today(person.time_zone)
    rows = rows_of(person, today=today)
    stands = patient_queries.standing(person, today=today)
    context = {
        "person": person,
        "today": today,
        "standing": stands,
        "rows": rows,
        "next_delivery": _next_delivery(person, rows, stands, today=today),
        "chart": chart_of(person, rows, today=today),
        "history": patient_queries.history(person, dispenses=RECENT_DISPENSES, events=RECENT_EVENTS),
        "ways": [
            (label, reverse(name, args=[public_id]))
            for label, name, permission in _WAYS
            if access.can(request, permission)
        ],
    }
    return render(request, "desk/patient.html", context)


@may("patient.see")
@require_GET
def history(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Everything on record about a patient, voided records included."""
    person = access.patient_or_404(request, public_id)
    context = {
        "person": person,
        "today": clock.today(person.time_zone),
        "history": patient_queries.history(person),
        "answers": said.answers(person),
        "contacts": said.contacts(person),
        "coverages": patient_queries.coverages(person),
        "consents": patient_queries.consents(person),
        "may_see_reads": access.can(request, "history.see"),
    }
    return render(request, "desk/history.html", context)


@may("patient.messages")
@require_GET
def messages(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """What was sent to a patient, and what waits to be sent."""
    person = access.patient_or_404(request, public_id)
    today = clock.today(person.time_zone)
    page = paged(request, patient_queries.messages(person), MESSAGES)
    context = page | {
        "person": person,
        "today": today,
        "to_see_to": failures.open_of(person.pk, today=today),
        "bad_addresses": list(failures.bad_of(person.pk)),
        "questions": question_queries.of_patient(person) if not page["newer_url"] else [],
        "standing": patient_queries.standing(person, today=today),
    }
    return render(request, "desk/messages.html", context)


def _next_delivery(
    person: Patient, rows: list[LineRow], stands: patient_queries.Standing, *, today: date
) -> NextDelivery | None:
    """The next delivery of a patient on therapy. No query."""
    if not rows or person.status != PatientStatus.ON_THERAPY:
        return None
    plans_of = [row.plan for row in rows]
    days = open_days.read(person.location.open_weekdays, stands.days_off)
    return delivery_queries.next_delivery(plans_of, days, said_yes=stands.said_yes, today=today)
