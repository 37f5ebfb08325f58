"""Who pays on a day; payers with what each allows, in few words."""

from collections.abc import Sequence
from datetime import date
from typing import Any

from django.contrib.postgres.expressions import ArraySubquery
from django.db.models import Count, Exists, OuterRef, QuerySet, Subquery
from django.db.models.functions import Coalesce

from resupply.models import AllowanceVersion, Coverage, Patient, Payer


def begun(patient: Patient | OuterRef, day: date | OuterRef) -> "QuerySet[Coverage]":
    """A patient's standing coverages begun by a day: first the one in force, of two of one day the later
    recorded. Each may be a column of an outer query.
    """
    rows = Coverage.objects.filter(patient=patient, voided_at=None, starts_on__lte=day)
    return rows.order_by("-starts_on", "-pk")


def payers_on(patients: Sequence[Patient], day: date) -> dict[int, int | None]:
    """Who pays for these patients on a day; None: the patient. One query."""
    found: dict[int, int | None] = {patient.pk: None for patient in patients}
    rows = Coverage.objects.filter(patient__in=patients, voided_at=None, starts_on__lte=day)
    found.update(rows.order_by("starts_on", "pk").values_list("patient", "payer"))
    return found


def listed() -> "QuerySet[Payer]":
    """Every payer with `codes` (how many billing codes it has an allowance for), `sources` (of those
    allowances) and `covers` (whether it ever covered somebody).
    """
    standing = AllowanceVersion.objects.filter(payer=OuterRef("pk"), voided_at=None).order_by()
    counted: QuerySet[Any, Any] = standing.values("payer").annotate(number=Count("part_code", distinct=True))
    return Payer.objects.annotate(
        codes=Coalesce(Subquery(counted.values("number")), 0),
        sources=ArraySubquery(standing.exclude(source="").values("source").distinct()),
        covers=Exists(Coverage.objects.filter(payer=OuterRef("pk"))),
    ).order_by("name")
