"""What a refresh of plans reads besides facts and rules: whose plans, what is stored, which edition is shown.

In SQL and as plain rows: a refresh happens within every write, and to compose these queries and to make
objects of their rows took Django longer than all the rules.
"""

from collections import namedtuple
from collections.abc import Collection
from dataclasses import dataclass
from functools import cache
from typing import Any

from django.db import connection, models

from resupply.models import Patient, PlanChecklist, PlanLine, PlanState
from resupply.queries.answers import STORED_YESES, UNUSED_YESES
from resupply.queries.editions import CURRENT, Editions
from resupply.queries.kept_rules import DIGEST

MARKS = ("shown_from", "shown_until")
Values = tuple[object, ...]
Stored = tuple[int, int | None, int | None, Values]
"""A stored row: its number, the editions from which and until which it is shown, and its `contents`."""


@dataclass(frozen=True, slots=True)
class Planned:
    """A patient whose plan is worked out anew: of `patient` only number, zone, location and status are read.

    `rules_digest`: of the clinic's rules (`kept_rules`). `state`: the stored `PlanState` (None: there is none
    yet).
    """

    patient: Patient
    editions: Editions
    rules_digest: int
    unused_yeses: list[str]
    stored_yeses: list[int]
    state: Values | None


_PLANNED = f"""
    SELECT resupply_patient.id, time_zone, location_id, status, {UNUSED_YESES}, {STORED_YESES}, {CURRENT},
        {DIGEST}, state.patient_id, state.valid_until, state.staged_for, state.staged_until
    FROM resupply_patient LEFT JOIN resupply_planstate state ON state.patient_id = resupply_patient.id
    WHERE resupply_patient.id = ANY(%s)"""  # noqa: S608 - no part of it comes from outside
_FIELDS = ("id", "time_zone", "location_id", "status")


def planned(patient_ids: Collection[int]) -> dict[int, Planned]:
    """These patients with what a refresh needs. One query."""
    found = {}
    with connection.cursor() as cursor:
        cursor.execute(_PLANNED, [list(patient_ids)])
        for pk, zone, place, status, unused, stored, editions, rules_digest, *state in cursor.fetchall():
            patient = Patient.from_db(connection.alias, _FIELDS, (pk, zone, place, status))
            found[pk] = Planned(
                patient,
                Editions.read(editions),
                rules_digest,
                unused,
                stored,
                tuple(state) if state[0] is not None else None,
            )
    return found


@cache
def contents(model: type[models.Model]) -> tuple[str, ...]:
    """The columns of a model that say something: not its number, nor in which editions it is shown."""
    names = (field.attname for field in model._meta.concrete_fields)
    return tuple(name for name in names if name != "id" and name not in MARKS)


def row_type(model: type[models.Model]) -> Any:
    """A tuple of a model's `contents`, made by their names: TypeError where one is missing, or is none."""
    return namedtuple(model.__name__, contents(model))


def stored_rows(model: type[PlanLine | PlanChecklist], patient_ids: Collection[int]) -> list[Stored]:
    """Every stored row of these patients, in all editions. One query."""
    columns = ", ".join(f'"{name}"' for name in contents(model))
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT id, shown_from, shown_until, {columns}"  # noqa: S608 - names of our own columns
            f" FROM {model._meta.db_table} WHERE patient_id = ANY(%s)",
            [list(patient_ids)],
        )
        return [(row[0], row[1], row[2], row[3:]) for row in cursor.fetchall()]


_STATE = ("patient_id", "valid_until", "staged_for", "staged_until")
assert contents(PlanState) == _STATE  # noqa: S101 - `_PLANNED` reads its columns in this order
