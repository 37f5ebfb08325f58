"""Seals over the change history: what makes a change of it show, whoever makes it and by whatever way.

Triggers keep change history from being edited through the database's ordinary doors; who owns the database
can switch them off. A seal is a hash over the rows that came since the one before, chained to that one's
hash; the newest hash, kept outside, vouches for everything below it. `services/seals.py` makes them,
`queries/seal_check.py` checks them.
"""

import pghistory.models
import pgtrigger
from django.db import models

_APPEND_ONLY = pgtrigger.Protect(name="append_only", operation=pgtrigger.Update | pgtrigger.Delete)


class HistoryLayout(models.Model):
    """The columns of a sealed table in the order in which its rows are hashed; `digest` names it in seals.

    Written once for each form a table had: a column added later does not change what older rows hash to.
    """

    table = models.CharField(max_length=80)
    columns = models.JSONField()
    digest = models.CharField(max_length=64, unique=True)

    class Meta:
        triggers = [_APPEND_ONLY]

    def __str__(self) -> str:
        return f"layout of {self.table}"


class HistorySeal(models.Model):
    """One seal. `body` is JSON as it was hashed; `digest` is its SHA-256, which the next body carries."""

    number = models.PositiveIntegerField(unique=True)
    sealed_at = models.DateTimeField()
    body = models.TextField()
    digest = models.CharField(max_length=64)

    class Meta:
        ordering = ["number"]
        triggers = [_APPEND_ONLY]

    def __str__(self) -> str:
        return f"seal {self.number}"


class HistoryMark(models.Model):
    """How far a table is sealed, for the next seal alone: derived, and never believed by a check.

    `open_gaps`: [low, high, since] of numbers below `up_to` without a row, whose transaction may run still.
    """

    table = models.CharField(max_length=80, unique=True)
    up_to = models.BigIntegerField(default=0)
    open_gaps = models.JSONField(default=list)

    def __str__(self) -> str:
        return f"mark of {self.table}"


class HistoryContext(pghistory.models.Context):
    """Who changed something and at which address, one row for each request; here for its guard alone.

    A request may still add to its own row, so rows of the last hour can be changed; none can be deleted.
    """

    class Meta:
        proxy = True
        triggers = [
            pgtrigger.Protect(name="keep", operation=pgtrigger.Delete),
            pgtrigger.Protect(
                name="settled",
                operation=pgtrigger.Update,
                condition=pgtrigger.Condition("OLD.created_at < now() - interval '1 hour'"),
            ),
        ]
