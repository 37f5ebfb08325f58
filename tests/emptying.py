"""Empties the database after a test that committed: only tables that hold something, row by row.

Django truncates every table, which has PostgreSQL write some thousand files anew for a test of five rows.
"""

from collections.abc import Iterable
from typing import Any

from django.db import connection
from django.db.backends.postgresql.operations import DatabaseOperations

_truncating = DatabaseOperations.sql_flush


def sql_flush(self: DatabaseOperations, style: Any, tables: Iterable[str], **options: Any) -> list[str]:
    """Statements that empty `tables`; no trigger runs, neither ours (nothing may go) nor those of keys.

    A server that is not the tests' own may not let triggers be switched off: there all is truncated.
    """
    names = [self.quote_name(table) for table in tables]
    each = (f"SELECT '{name}' WHERE EXISTS (SELECT 1 FROM {name})" for name in names)  # noqa: S608 - ours
    with connection.cursor() as cursor:
        cursor.execute("SELECT current_setting('is_superuser')")
        if cursor.fetchone() != ("on",):
            return list(_truncating(self, style, tables, **options))
        cursor.execute(" UNION ALL ".join(each))
        held = [name for (name,) in cursor.fetchall()]
    if not held:
        return []
    emptied = [f"DELETE FROM {name}" for name in held]  # noqa: S608
    return ["SET session_replication_role = replica", *emptied, "SET session_replication_role = DEFAULT"]


def install() -> None:
    """From here on, Django's command `flush` works so."""
    DatabaseOperations.sql_flush = sql_flush  # type: ignore[method-assign]
