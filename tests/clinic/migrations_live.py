"""Which steps of a migration a clinic can take while people work and the version before still runs.

PostgreSQL's documentation of ALTER TABLE and CREATE INDEX says what each step locks and whether it reads the
whole table meanwhile ("Building Indexes Concurrently"; ADD CONSTRAINT ... NOT VALID; a constant DEFAULT of a
new column is not written into the rows). So, on tables that are older than the migration:

- a new column may be empty or has a default in the database; it is neither unique nor indexed nor a foreign
  key yet (each of these reads every row under a lock: they follow in steps of their own);
- an index is made, and dropped, CONCURRENTLY, outside of a transaction;
- a constraint is added NOT VALID and validated in a later migration;
- a column keeps its type (text may get longer) and may become optional, never required;
- nothing is renamed or dropped: the version before still asks for it.

SQL and Python are read by a person, who writes down in `BY_HAND` why they hold no lock for long.
"""

from collections.abc import Iterator
from typing import Any

from django.contrib.postgres import operations as on_postgres
from django.db import connection, migrations
from django.db.migrations.operations import special
from django.db.migrations.operations.base import Operation
from django.db.migrations.state import ProjectState
from django.db.models import Field

BY_HAND: dict[str, str] = {}
"""Migrations somebody has read: which, and why they are safe."""

SHORT = (
    *(migrations.CreateModel, migrations.AlterModelOptions, migrations.AlterModelManagers),
    *(migrations.AlterModelTableComment, migrations.RemoveConstraint),
    *(on_postgres.AddConstraintNotValid, on_postgres.ValidateConstraint),
)
"""Steps that make something new, change nothing in the database, or lock without reading."""
CONCURRENT = (on_postgres.AddIndexConcurrently, on_postgres.RemoveIndexConcurrently)
SHORT_BY_NAME = {"Together", "AddTrigger", "RemoveTrigger"}  # triggers: a lock for the moment of their making
READ_BY_A_PERSON = (special.RunSQL, special.RunPython)


def findings(migration: Any, before: ProjectState) -> Iterator[str]:
    """What in a migration would stop people, in words. `before`: the models as they were."""
    new: set[str] = set()
    state = before.clone()
    for step in flat(migration.operations):
        earlier = state.clone()
        step.state_forwards(migration.app_label, state)
        model = str(getattr(step, "model_name_lower", getattr(step, "name_lower", "")))
        if isinstance(step, migrations.CreateModel):
            new.add(model)
        elif model not in new:
            yield from _of_step(step, model, migration, earlier, state)


def flat(steps: Any) -> Iterator[Operation]:
    """Steps, those inside of others too (state-only ones are left out: they touch no table)."""
    for step in steps:
        if isinstance(step, migrations.SeparateDatabaseAndState):
            yield from flat(step.database_operations)
        elif type(step).__name__ == "Together":
            yield from flat(step.operations)
        else:
            yield step


def _of_step(
    step: Operation, model: str, migration: Any, before: ProjectState, after: ProjectState
) -> Iterator[str]:
    name = type(step).__name__
    if isinstance(step, CONCURRENT):
        if migration.atomic:
            yield f"{name} on {model} needs atomic = False"
    elif isinstance(step, migrations.AddField):
        yield from (f"{model}.{step.name}: {what}" for what in _of_new_column(step.field))
    elif isinstance(step, migrations.AlterField):
        was = before.models[migration.app_label, model].fields[step.name]
        now = after.models[migration.app_label, model].fields[step.name]
        yield from (f"{model}.{step.name}: {what}" for what in _of_change(was, now))
    elif not (isinstance(step, SHORT) or name in SHORT_BY_NAME):
        yield f"{name} on {model or 'what it likes'}"


def _of_new_column(field: "Field[Any, Any]") -> Iterator[str]:
    if field.many_to_many:
        return  # a table of its own
    if not field.null and not field.has_db_default():
        yield "a new column that is required, without a default in the database"
    if field.unique or field.db_index:
        yield "a new column with an index, which is made under a lock"
    if field.remote_field is not None and getattr(field, "db_constraint", False):
        yield "a new foreign key, which is checked under a lock"


def _of_change(was: "Field[Any, Any]", now: "Field[Any, Any]") -> Iterator[str]:
    if was.null and not now.null:
        yield "required from now on: every row is read under a lock"
    if (now.unique and not was.unique) or (now.db_index and not was.db_index):
        yield "an index, which is made under a lock"
    if was.remote_field is not None or now.remote_field is not None:
        return
    types = was.db_type(connection) or "", now.db_type(connection) or ""
    is_longer = all(one.startswith("varchar(") for one in types) and (now.max_length or 0) >= (
        was.max_length or 0
    )
    if types[0] != types[1] and not is_longer:
        yield f"another type ({types[0]}, then {types[1]}): the table is written anew"
