"""A first migration whose tables and triggers are made as one step.

Django draws all models anew after each operation that a trigger or a table is; with some 140 tables that took
half a minute of every first start. Here the models are drawn once, as they are at the end.
"""

from collections.abc import Sequence
from typing import Any

from django.db.backends.base.schema import BaseDatabaseSchemaEditor
from django.db.migrations.operations import CreateModel
from django.db.migrations.operations.base import Operation
from django.db.migrations.state import ProjectState
from pgtrigger.migrations import AddTrigger


class Together(Operation):
    """Makes whole tables (with indexes and constraints inside) and their triggers, in the order given."""

    serialization_expand_args = ["operations"]

    def __init__(self, operations: Sequence[CreateModel | AddTrigger]) -> None:
        self.operations = operations

    def deconstruct(self) -> tuple[str, list[Any], dict[str, Any]]:
        """As the writer of migrations wants it."""
        return type(self).__name__, [], {"operations": self.operations}

    def state_forwards(self, app_label: str, state: ProjectState) -> None:
        """Note every table and trigger; what was drawn before is forgotten, not drawn anew each time."""
        vars(state).pop("apps", None)
        for operation in self.operations:
            operation.state_forwards(app_label, state)

    def database_forwards(
        self,
        app_label: str,
        schema_editor: BaseDatabaseSchemaEditor,
        from_state: ProjectState,
        to_state: ProjectState,
    ) -> None:
        """Make them; a key to a table that comes later is added by the editor at its end."""
        for operation in self.operations:
            operation.database_forwards(app_label, schema_editor, from_state, to_state)

    def database_backwards(
        self,
        app_label: str,
        schema_editor: BaseDatabaseSchemaEditor,
        from_state: ProjectState,
        to_state: ProjectState,
    ) -> None:
        """Drop the tables, the last first; their triggers go with them."""
        for operation in reversed(self.operations):
            if isinstance(operation, CreateModel):
                operation.database_backwards(app_label, schema_editor, from_state, to_state)

    def describe(self) -> str:
        """For the command's output."""
        return f"Create {len(self.operations)} tables and triggers together"
