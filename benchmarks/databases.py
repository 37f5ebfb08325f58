"""Databases to measure in: one for each size, filled once, kept for the next run, and migrated forward where
migrations were added since.

Filling switches triggers and foreign keys off, which a server lets its superuser do.
"""

import hashlib
import os
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from operator import attrgetter
from pathlib import Path
from typing import Any

from django.core.management import call_command
from django.db import connection, models

from benchmarks import population
from resupply.models import (
    Dispense,
    DispenseLine,
    FindToken,
    Location,
    Patient,
    Payer,
    PlanLine,
    PlanState,
)
from resupply.services import supply_ends
from resupply.services.find_tokens import token_rows

ROOT = Path(__file__).resolve().parents[1]
_BATCH = 20_000
WITH_DISPENSES = 2_000
"""So many patients have dispenses on record."""


def use(patients: int) -> None:
    """Let Django work in the database with so many patients; fill it first if it is not there yet.

    One of the same size that was filled otherwise is dropped (a million patients take 4 GB), or taken as it
    is where BENCH_KEEP is set, for whoever works on the code that fills it.
    """
    prefix = f"bench_{patients}_"
    name = prefix + _digest()
    _switch(os.environ["DATABASE_URL"].partition("?")[0].rpartition("/")[2])
    with connection.cursor() as cursor:
        cursor.execute("SELECT datname FROM pg_database WHERE starts_with(datname, %s)", [prefix])
        found = {known for (known,) in cursor}
        if name not in found and os.environ.get("BENCH_KEEP"):
            name = next((known for known in found if not known.endswith("_unfinished")), name)
        for outdated in found - {name}:
            cursor.execute(f"DROP DATABASE {outdated}")
        if name not in found:
            cursor.execute(f"CREATE DATABASE {name}_unfinished")
    if name in found:
        _switch(name)
        call_command("migrate", verbosity=0)
    else:
        _switch(f"{name}_unfinished")
        _fill(patients)
        _switch("postgres")
        with connection.cursor() as cursor:
            cursor.execute(f"ALTER DATABASE {name}_unfinished RENAME TO {name}")
    _switch(name)


@contextmanager
def copied(patients: int) -> Iterator[None]:
    """Work in a copy of the database with so many patients, which is dropped afterwards."""
    use(patients)
    name = str(connection.settings_dict["NAME"])
    _switch("postgres")
    with connection.cursor() as cursor:
        cursor.execute("DROP DATABASE IF EXISTS bench_copy")
        cursor.execute(f"CREATE DATABASE bench_copy TEMPLATE {name} STRATEGY file_copy")
    _switch("bench_copy")
    try:
        yield
    finally:
        _switch("postgres")
        with connection.cursor() as cursor:
            cursor.execute("DROP DATABASE bench_copy WITH (FORCE)")
        _switch(name)


def url() -> str:
    """The address of the database in use, for another process."""
    before, mark, options = os.environ["DATABASE_URL"].partition("?")
    return f"{before.rpartition('/')[0]}/{connection.settings_dict['NAME']}{mark}{options}"


def _switch(name: str) -> None:
    connection.close()
    connection.settings_dict["NAME"] = name


def _digest() -> str:
    """Of everything that decides what stands in a database; later migrations it can follow."""
    files = sorted(ROOT.glob("*/migrations/0001_*.py")) + sorted(ROOT.glob("*/*/migrations/0001_*.py"))
    files += [Path(population.__file__), Path(__file__), ROOT / "benchmarks" / "names.toml"]
    files += [ROOT / "resupply" / "services" / "find_tokens.py"]
    return hashlib.sha256(b"\0".join(file.read_bytes() for file in files)).hexdigest()[:8]


def _fill(number: int) -> None:
    began = time.perf_counter()
    print(f"Filling a database with {number:,} patients ...", file=sys.stderr, flush=True)
    call_command("migrate", verbosity=0)
    Location.objects.bulk_create(
        Location(pk=pk, name=f"Location {pk}", time_zone="America/Denver")
        for pk in range(1, population.LOCATIONS + 1)
    )
    Payer.objects.bulk_create(Payer(pk=pk, name=f"Payer {pk}") for pk in range(1, population.PAYERS + 1))
    with _without_indexes([Patient, FindToken, PlanLine]):
        some: list[Patient] = []
        for patient in population.patients(number):
            some.append(patient)
            if len(some) == _BATCH:
                _copy_people(some)
                some = []
        _copy_people(some)
        _copy_dispenses(population.patients(min(number, WITH_DISPENSES)))
    supply_ends.count_anew()  # its triggers were off
    with connection.cursor() as cursor:
        for model in (Location, Payer, Patient, FindToken, PlanLine, Dispense, DispenseLine):
            table = model._meta.db_table
            cursor.execute(f"SELECT setval(pg_get_serial_sequence('{table}', 'id'), max(id)) FROM {table}")
        cursor.execute("VACUUM (ANALYZE)")
    print(f"... {time.perf_counter() - began:.0f} s", file=sys.stderr, flush=True)


def _copy_people(people: Sequence[Patient]) -> None:
    copy(Patient, people, with_ids=True)
    copy(FindToken, (row for patient in people for row in token_rows(patient)))
    copy(PlanLine, (line for patient in people for line in population.plan_lines(patient)))
    copy(PlanState, (PlanState(patient_id=patient.pk) for patient in people))


def _copy_dispenses(people: Iterable[Patient]) -> None:
    """Dispenses of some, so that the planner knows what such tables look like."""
    given = [one for patient in people for one in population.dispenses(patient)]
    copy(Dispense, (dispense for dispense, _ in given), with_ids=True)
    copy(DispenseLine, (line for _, lines in given for line in lines))


def copy(model: type[models.Model], instances: Iterable[models.Model], *, with_ids: bool = False) -> None:
    """COPY unsaved instances into their table; fields that are not set take the model's defaults."""
    fields = [
        field
        for field in model._meta.concrete_fields
        if with_ids or not field.primary_key or field.remote_field
    ]
    columns = ", ".join(f'"{field.column}"' for field in fields)
    stored = [_stored(field) for field in fields]
    with (
        connection.cursor() as cursor,
        cursor.copy(f"COPY {model._meta.db_table} ({columns}) FROM STDIN") as rows,
    ):
        for instance in instances:
            rows.write_row([value(instance) for value in stored])


def _stored(field: "models.Field[Any, Any]") -> Callable[[models.Model], object]:
    """How the value of a field is read from an instance as the table holds it: fields of our own may store
    something else than they show.
    """
    if type(field).__module__.startswith("django."):
        return attrgetter(field.attname)
    return lambda instance: field.get_db_prep_save(getattr(instance, field.attname), connection)


@contextmanager
def _without_indexes(tables: Sequence[type[models.Model]]) -> Iterator[None]:
    """Drop the indexes that hold no constraint, and build them at the end; no triggers meanwhile."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT indexname, indexdef FROM pg_indexes WHERE tablename = ANY(%s) AND indexname NOT IN"
            " (SELECT conname FROM pg_constraint)",
            [[table._meta.db_table for table in tables]],
        )
        dropped = cursor.fetchall()
        cursor.execute("SET session_replication_role = replica")
        cursor.execute("".join(f'DROP INDEX "{name}";' for name, _ in dropped))
    yield
    with connection.cursor() as cursor:
        cursor.execute("SET maintenance_work_mem = '512MB'")
        cursor.execute(";".join(definition for _, definition in dropped))
        cursor.execute("RESET maintenance_work_mem")
        cursor.execute("SET session_replication_role = DEFAULT")
