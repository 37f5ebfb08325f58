"""Deliveries planned for a patient: the next one with the steps behind it, and a year of them."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.delivery.why_words import Said
from resupply.delivery.why_words import Wording as Words
from resupply.models import PatientStatus
from resupply.queries import deliveries as queries
from resupply.queries.answers import open_items
from resupply.queries.deliveries import NextDelivery
from resupply.queries.plans import to_plan
from resupply.rules.bundling import DeliveryDay, refills_of
from resupply.rules.explain_bundling import explain_delivery
from resupply.rules.questions import ANSWER_TIME
from resupply.services import plans
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.wording import counted, kind_word


@dataclass(frozen=True, slots=True)
class PartRow:
    """One part of a delivery: how many, and between which days it may go out."""

    label: str
    units: int
    opens_on: date
    closes_on: date
    is_late: bool


@dataclass(frozen=True, slots=True)
class DeliveryRow:
    """One delivery and its parts."""

    on: date
    parts: tuple[PartRow, ...]


@may("patient.see")
@require_GET
def deliveries(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """The fewest deliveries of the coming year; as a part of another page, the steps behind the next one."""
    person = access.patient_or_404(request, public_id)
    now, today = clock.now(), clock.today(person.time_zone)
    plans.refresh_if_run_out(person, now=now)
    lines = [to_plan(line) for line in person.plan_lines.all()]
    said_yes = open_items(person.pk, now=now)
    is_kept = person.status == PatientStatus.ON_THERAPY
    found = queries.of_patient(person, lines, said_yes=said_yes, today=today) if is_kept else None
    steps = steps_of(found, today=today) if found else []
    if request.headers.get("HX-Request"):
        return render(request, "components/_why_steps.html", {"steps": steps, "today": today})
    days = queries.year_ahead(person, lines, found.open_days, said_yes=said_yes, today=today) if found else ()
    context = {
        "person": person,
        "today": today,
        "next": found,
        "steps": steps,
        "rows": [_row(day) for day in days],
        "finding": finding(days),
        "week": counted(ANSWER_TIME.days, "day"),
    }
    return render(request, "desk/deliveries.html", context)


def steps_of(found: NextDelivery, *, today: date) -> list[Said]:
    """The steps behind the next delivery in words."""
    explained = explain_delivery(found.refills, found.open_days, answer_days=ANSWER_TIME.days, as_of=today)
    sources = {f"line {refill.kind}": f"{kind_word(refill.kind)}: its plan" for refill in found.refills}
    return Words(explained, sources, today=today).of("delivery")


def finding(days: Sequence[DeliveryDay]) -> str:
    """What the table says in a sentence: `4 deliveries serve 11 refills in the next 12 months`."""
    said, refills = counted(len(days), "delivery,deliveries"), counted(refills_of(days), "refill")
    return f"{said} {'serves' if len(days) == 1 else 'serve'} {refills} in the next 12 months"


def _row(day: DeliveryDay) -> DeliveryRow:
    parts = (
        PartRow(
            kind_word(met.refill.kind),
            met.refill.quantity,
            met.refill.opens_on,
            met.refill.closes_on,
            met.is_late,
        )
        for met in day.met
    )
    return DeliveryRow(day.on, tuple(parts))
