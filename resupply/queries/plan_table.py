"""The plan as a table, as of any day: worked out from the records by the rules, never read from stored plans.

Rows come in batches of patients, so memory stays flat in their number.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime
from itertools import islice

from django.db.models.functions import Collate

from resupply.models import Patient
from resupply.queries import facts as facts_of
from resupply.rules.facts import PatientFacts, Policy
from resupply.rules.lines import LinePlan, LineStatus, plan_lines, read

BATCH = 500
"""Patients whose facts are held at once."""

COLUMNS = (
    "patient_ref",
    "kind",
    "part_code",
    "in_use_since",
    "worn_on",
    "spares",
    "supply_ends_on",
    "covered_from",
    "refill_on",
    "ask_from",
    "deliver_from",
    "quantity_limit",
    "quantity_suggested",
    "state",
    "days_overdue",
)


@dataclass(frozen=True, slots=True)
class PlanOfPatient:
    """One patient's lines as of the day asked for, with what they were worked out from."""

    reference: str
    facts: PatientFacts
    policy: Policy
    lines: tuple[LinePlan, ...]


def patient_plans(*, as_of: date, known_at: datetime | None = None) -> Iterator[PlanOfPatient]:
    """Every patient's lines as of a day, whatever the patient's status; patients in byte order of reference.

    Facts dated after `as_of` are ignored; with `known_at`, so is what was not on record at that moment.
    """
    policy = facts_of.policy(known_at=known_at)
    everyone = Patient.objects.order_by(Collate("reference", "C")).values_list("pk", "reference")
    patients = everyone.iterator(chunk_size=BATCH)
    while batch := dict(islice(patients, BATCH)):
        facts = facts_of.patient_facts(batch.keys(), known_at=known_at)
        for pk, reference in batch.items():
            lines = plan_lines(facts[pk], policy, as_of=as_of)
            yield PlanOfPatient(reference, facts[pk], policy, lines)


def row_of(reference: str, line: LinePlan, *, as_of: date) -> tuple[str | int | date | None, ...]:
    """One line in the order of COLUMNS; None where there is nothing to say."""
    status: LineStatus = read(line, as_of=as_of)
    return (
        reference,
        line.kind.value,
        line.code,
        line.in_use_since,
        line.worn_on,
        line.spares,
        line.supply_ends_on,
        line.covered_from,
        line.refill_on,
        line.ask_from,
        line.deliver_from,
        status.quantity_limit,
        status.quantity_suggested,
        status.state.value,
        status.days_overdue,
    )


def plan_rows(
    *, as_of: date, known_at: datetime | None = None
) -> Iterator[tuple[str | int | date | None, ...]]:
    """The rows of every patient, ordered by reference and kind (both in byte order)."""
    for patient in patient_plans(as_of=as_of, known_at=known_at):
        for line in sorted(patient.lines, key=lambda line: line.kind.value):
            yield row_of(patient.reference, line, as_of=as_of)
