"""Whether two records are about the same refill of a line: their ends of supply lie less than
`SAME_REFILL_DAYS` apart, said for dates and for rows of the database.
"""

from datetime import date, timedelta
from typing import TypeVar

from django.db.models import DateField, ExpressionWrapper, Model, OuterRef, QuerySet

from resupply.rules.reminders import SAME_REFILL_DAYS

M = TypeVar("M", bound=Model)


def is_same_refill(one: date, other: date) -> bool:
    """Whether two ends of supply of a line mean one refill."""
    return abs((one - other).days) < SAME_REFILL_DAYS


def of_same_refill(rows: "QuerySet[M]") -> "QuerySet[M]":
    """Of rows with `patient`, `kind` and `supply_ends_on`, those about the refill of the outer row, which has
    the same columns.
    """
    near, ends = timedelta(days=SAME_REFILL_DAYS), OuterRef("supply_ends_on")
    return rows.filter(
        patient=OuterRef("patient"),
        kind=OuterRef("kind"),
        supply_ends_on__gt=ExpressionWrapper(ends - near, output_field=DateField()),
        supply_ends_on__lt=ExpressionWrapper(ends + near, output_field=DateField()),
    )
