"""Migrations that come after the first can be run while people work; docs/operating.md says how to write one.

`make test-faults ONLY="six million"` measures what the allowed steps cost somebody who writes meanwhile.
"""

from typing import Any

import pytest
from django.contrib.postgres.operations import AddConstraintNotValid, AddIndexConcurrently
from django.db import migrations, models
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.state import ModelState, ProjectState

from tests.clinic.migrations_live import BY_HAND, findings

OURS = ("resupply", "accounts")


def test_every_migration_after_the_first_lets_people_work() -> None:
    loader = MigrationLoader(None)
    found: list[str] = []
    for (app, name), migration in loader.disk_migrations.items():
        if app not in OURS or name.startswith("0001_") or f"{app}.{name}" in BY_HAND:
            continue
        before = loader.project_state((app, name), at_end=False)
        found += [f"{app}.{name}: {what}" for what in findings(migration, before)]
    assert found == []


def of(*steps: Any, atomic: bool = True) -> list[str]:
    """What is found in a migration of these steps on a table `thing` with columns `old` and `maybe`."""
    before = ProjectState()
    fields = [("id", models.BigAutoField(primary_key=True)), ("old", models.CharField(max_length=20))]
    fields.append(("maybe", models.IntegerField(null=True)))
    before.add_model(ModelState("resupply", "Thing", fields))
    kind = type("Migration", (migrations.Migration,), {"operations": list(steps), "atomic": atomic})
    return list(findings(kind("0009_x", "resupply"), before))


def added(field: Any) -> Any:
    return migrations.AddField("thing", "new", field)


def changed(name: str, field: Any) -> Any:
    return migrations.AlterField("thing", name, field)


INDEX = models.Index(fields=["old"], name="thing_by_old")
CHECK = models.CheckConstraint(condition=~models.Q(old=""), name="thing_old")


@pytest.mark.parametrize(
    "steps",
    [
        [added(models.IntegerField(null=True))],
        [added(models.BooleanField(default=False, db_default=False))],
        [added(models.CharField(max_length=9, default="", db_default=""))],
        [changed("old", models.CharField(max_length=40))],
        [changed("old", models.CharField(max_length=20, null=True))],
        [AddConstraintNotValid("thing", CHECK)],
        [migrations.RemoveConstraint("thing", "thing_old")],
        [
            migrations.CreateModel("Other", [("id", models.BigAutoField(primary_key=True))]),
            migrations.AddField("other", "new", models.IntegerField(unique=True)),
            migrations.AddIndex("other", models.Index(fields=["new"], name="other_new")),
        ],
    ],
    ids=["optional", "default", "text", "longer", "may be empty", "not valid", "dropped check", "new table"],
)
def test_steps_that_stop_nobody(steps: list[Any]) -> None:
    if isinstance(steps[0], migrations.RemoveConstraint):
        steps = [AddConstraintNotValid("thing", CHECK), *steps]
    assert of(*steps) == []


@pytest.mark.parametrize(
    ("step", "said"),
    [
        (added(models.IntegerField(default=3)), "required, without a default in the database"),
        (added(models.IntegerField(null=True, unique=True)), "with an index"),
        (added(models.IntegerField(null=True, db_index=True)), "with an index"),
        (added(models.ForeignKey("resupply.Thing", models.PROTECT, null=True)), "foreign key"),
        (changed("maybe", models.IntegerField()), "required from now on"),
        (changed("maybe", models.BigIntegerField(null=True)), "another type"),
        (changed("old", models.CharField(max_length=10)), "another type"),
        (changed("old", models.CharField(max_length=20, unique=True)), "an index"),
        (migrations.AddIndex("thing", INDEX), "AddIndex on thing"),
        (AddIndexConcurrently("thing", INDEX), "needs atomic = False"),
        (migrations.AddConstraint("thing", CHECK), "AddConstraint on thing"),
        (migrations.RemoveField("thing", "old"), "RemoveField on thing"),
        (migrations.RenameField("thing", "old", "new"), "RenameField on thing"),
        (migrations.DeleteModel("Thing"), "DeleteModel on thing"),
        (migrations.RunSQL("UPDATE resupply_thing SET old = ''"), "RunSQL"),
        (migrations.RunPython(migrations.RunPython.noop), "RunPython"),
    ],
    ids=lambda value: value.replace(" ", "-") if isinstance(value, str) else "",
)
def test_steps_that_would_stop_people(step: Any, said: str) -> None:
    assert said in " ".join(of(step))


def test_an_index_is_made_beside_the_work() -> None:
    assert of(AddIndexConcurrently("thing", INDEX), atomic=False) == []


def test_what_is_read_by_a_person_says_why() -> None:
    assert all(reason for reason in BY_HAND.values())
