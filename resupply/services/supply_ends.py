"""The counts of plan lines by the day their supply ends: folded now and then, and made anew where needed.

Triggers append differences (`models.overdue`). Folding adds them up: readers see the rows before or the rows
after, never both, and writers append beside it; two folds at once would meet the same rows, so one at a time.
"""

from django.db import connection, transaction

from resupply.models import SupplyEnd

WORTH_FOLDING = 500
"""Below so many differences since the last fold there is nothing to gain."""
_FOLD = 7_240_002
"""Key of the advisory lock of whoever folds."""
_KEY = "location_id, kind, supply_ends_on, shown_from, shown_until"
_ADDED_UP = f"""
    WITH gone AS (DELETE FROM resupply_supplyend RETURNING {_KEY}, lines)
    INSERT INTO resupply_supplyend ({_KEY}, lines)
    SELECT {_KEY}, sum(lines) FROM gone GROUP BY {_KEY} HAVING sum(lines) <> 0
"""  # noqa: S608 - no part of it comes from outside
_COUNTED = f"""
    INSERT INTO resupply_supplyend ({_KEY}, lines)
    SELECT location_id, coalesce(kind, ''), supply_ends_on, shown_from, shown_until, count(*)
    FROM resupply_planline WHERE active
    GROUP BY GROUPING SETS (
        (location_id, kind, supply_ends_on, shown_from, shown_until),
        (supply_ends_on, shown_from, shown_until))
"""  # noqa: S608


def fold() -> bool:
    """Add up the differences, if there are many; False where there are few, or somebody else is at it."""
    rows = SupplyEnd.stored
    keys = rows.values("location", "kind", "supply_ends_on", "shown_from", "shown_until").distinct()
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("SELECT pg_try_advisory_xact_lock(%s)", [_FOLD])
        if not cursor.fetchone()[0] or rows.count() - keys.count() < WORTH_FOLDING:
            return False
        cursor.execute(_ADDED_UP)
    return True


def count_anew() -> None:
    """Count all lines, where they were written with triggers off. Nobody writes plans meanwhile."""
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("LOCK TABLE resupply_planline IN SHARE MODE")
        cursor.execute("DELETE FROM resupply_supplyend")
        cursor.execute(_COUNTED)
