"""Payers with what each allows, in few words."""

from typing import Any

from django.contrib.postgres.expressions import ArraySubquery
from django.db.models import Count, Exists, OuterRef, QuerySet, Subquery
from django.db.models.functions import Coalesce

from resupply.models import AllowanceVersion, Coverage, Payer


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
