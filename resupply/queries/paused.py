"""Lines whose therapy pauses on a day."""

from datetime import date

from django.db.models import Q


def paused_on(day: date) -> Q:
    """Plan lines that pause on a day: no row of theirs is due, overdue or asked about."""
    return Q(paused_from__isnull=False, paused_from__lte=day) & (
        Q(paused_until__isnull=True) | Q(paused_until__gt=day)
    )
