"""What the invented patients said to their refills, which of them were written to, and who was called.

Every shipped dispense goes back to a yes recorded some days before it. Of the refills open today, each room
has one of every sort that the desk's lists know.
"""

from collections import defaultdict
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from random import Random

from resupply.models import (
    Channel,
    Consent,
    DispenseLine,
    Given,
    Handover,
    PlanLine,
    RefillAnswer,
    RefillAnswerItem,
    SuppliedBy,
)
from resupply.services.demo.clinic import Clinic
from resupply.services.demo.said import Open, Said
from resupply.services.demo.told import TOLD
from resupply.services.standing import settle


def write_answers(clinic: Clinic, *, today: date, now: datetime) -> None:
    """Write them all; the plans of the patients are on record already."""
    said = Said(clinic, today, now)
    shipped = _tell_shipped(said)
    rooms: dict[int, list[Open]] = defaultdict(list)
    for one in _open_refills(today):
        rooms[one.patient.location_id].append(one)
    for room in sorted(rooms):
        for one, tell in zip(rooms[room], TOLD, strict=False):
            tell(said, one, Random(f"answer {one.patient.reference}"))  # noqa: S311 - no secrets
    said.write()
    DispenseLine.objects.bulk_update(shipped, ["answer_item"])
    settle({answer.patient_id for answer in said.answers})


def _tell_shipped(said: Said) -> list[DispenseLine]:
    """A yes some days before each dispense this clinic shipped; returns its lines, each with its item."""
    rows = DispenseLine.objects.filter(
        dispense__given=Given.SHIPPED, dispense__supplied_by=SuppliedBy.US
    ).select_related("dispense__patient")
    found: dict[int, tuple[RefillAnswer, dict[str, RefillAnswerItem]]] = {}
    lines = list(rows.order_by("dispense", "position"))
    for line in lines:
        dispense = line.dispense
        if dispense.pk not in found:
            dice = Random(f"shipped {dispense.patient.reference} {dispense.dispensed_on}")  # noqa: S311
            on = dispense.dispensed_on - timedelta(days=dice.randrange(2, 7))
            found[dispense.pk] = said.answer(dispense.patient, on, dice, handover=Handover.SHIP), {}
        answer, items = found[dispense.pk]
        if line.kind not in items:
            items[line.kind] = said.item(answer, line.kind, line.part_code, quantity=line.quantity)
        line.answer_item = items[line.kind]
    return lines


def _open_refills(today: date) -> Iterator[Open]:
    """Patients on therapy that does not pause with lines to ask about, in the order of their records."""
    rows = PlanLine.objects.filter(active=True, ask_from__lte=today, paused_from=None)
    lines: dict[int, list[PlanLine]] = defaultdict(list)
    for line in rows.select_related("patient__location").order_by("patient", "supply_ends_on", "kind"):
        lines[line.patient_id].append(line)
    newest = Consent.objects.filter(channel=Channel.MAIL, voided_at=None).order_by("patient", "-pk")
    consents = dict(newest.distinct("patient").values_list("patient", "granted"))
    for patient_id, of_patient in lines.items():
        patient = of_patient[0].patient
        yield Open(patient, of_patient, bool(patient.email and consents.get(patient_id)))
