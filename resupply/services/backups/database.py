"""Tables, counters and guards of a database, as a backup reads and a restore writes them.

Everything goes through a connection of its own (psycopg, not Django's): a backup is one long snapshot that no
request may share, and a restore writes into another database.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import psycopg
from psycopg import sql
from psycopg.conninfo import conninfo_to_dict

from resupply.services.backups.archive import Manifest, Table

Connection = psycopg.Connection[tuple[Any, ...]]

_SAME_TEXT = (
    ("TimeZone", "UTC"),
    ("DateStyle", "ISO, YMD"),
    ("IntervalStyle", "postgres"),
    ("bytea_output", "hex"),
)
"""Settings that decide how a value is written: the same text on every server."""

_TABLES = """
SELECT c.relname, array_agg(a.attname::text ORDER BY a.attnum)
FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid
WHERE c.relnamespace = 'public'::regnamespace AND c.relkind = 'r'
  AND a.attnum > 0 AND NOT a.attisdropped AND a.attgenerated = ''
GROUP BY c.relname ORDER BY c.relname
"""
_KEY = """
SELECT array_agg(a.attname::text ORDER BY k.place)
FROM pg_index i CROSS JOIN LATERAL unnest(i.indkey) WITH ORDINALITY AS k(attnum, place)
JOIN pg_attribute a ON a.attrelid = i.indrelid AND a.attnum = k.attnum
WHERE i.indisprimary AND i.indrelid = ('public.' || quote_ident(%s))::regclass
"""
_COUNTERS = """
SELECT sequencename, coalesce(last_value, start_value), last_value IS NOT NULL
FROM pg_sequences WHERE schemaname = 'public' ORDER BY sequencename
"""
_FOREIGN_KEYS = """
SELECT c.relname, k.conname, pg_get_constraintdef(k.oid)
FROM pg_constraint k JOIN pg_class c ON c.oid = k.conrelid
WHERE k.contype = 'f' AND k.connamespace = 'public'::regnamespace ORDER BY 1, 2
"""
_TRIGGERS = """
SELECT c.relname, t.tgname, t.tgenabled::text FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid
WHERE NOT t.tgisinternal AND c.relnamespace = 'public'::regnamespace ORDER BY 1, 2
"""
_SIDE_INDEXES = """
SELECT c.relname, pg_get_indexdef(x.indexrelid) FROM pg_index x JOIN pg_class c ON c.oid = x.indexrelid
WHERE c.relnamespace = 'public'::regnamespace AND NOT x.indisunique AND NOT x.indisexclusion ORDER BY 1
"""
_ENABLE = {"O": "ENABLE TRIGGER", "A": "ENABLE ALWAYS TRIGGER", "R": "ENABLE REPLICA TRIGGER"}


def connect(url: str) -> Connection:
    """Open `postgresql://...`; nothing is committed until asked."""
    return settled(psycopg.connect(url))


def settled(connection: Connection) -> Connection:
    """Have values written the same way whatever the server or its database prefers."""
    for name, value in _SAME_TEXT:
        connection.execute("SELECT set_config(%s, %s, false)", [name, value])
    connection.execute("SET synchronize_seqscans = off")
    connection.execute("SET statement_timeout = 0")
    connection.commit()
    return connection


def is_same(url: str, other: dict[str, Any]) -> bool:
    """Whether an address means the database that `other` (Django's settings of one) means."""
    parts = conninfo_to_dict(url)
    mine = str(parts.get("host") or ""), str(parts.get("port") or "5432"), str(parts.get("dbname") or "")
    return mine == (other["HOST"], other["PORT"] or "5432", other["NAME"])


def tables(connection: Connection) -> list[Table]:
    """Every table with the columns that are stored, by name."""
    return [Table(name, list(columns)) for name, columns in connection.execute(_TABLES)]


def text_of(connection: Connection, table: Table) -> Iterator[bytes]:
    """A table's rows as COPY text in the order of its key, so that equal rows are equal bytes."""
    (key,) = connection.execute(_KEY, [table.name]).fetchone() or (None,)
    assert key, f"{table.name} has no primary key"  # noqa: S101 - Django gives every table one
    query = sql.SQL("COPY (SELECT {} FROM {} ORDER BY {}) TO STDOUT").format(
        _names(table.columns), sql.Identifier("public", table.name), _names(key)
    )
    with connection.cursor().copy(query) as copy:
        for some in copy:
            yield bytes(some)


def applied(connection: Connection) -> list[str]:
    """The migrations of a database; none where it is new."""
    (there,) = connection.execute("SELECT to_regclass('public.django_migrations')").fetchone() or (None,)
    if there is None:
        return []
    rows = connection.execute("SELECT app || '.' || name FROM django_migrations ORDER BY 1")
    return [str(name) for (name,) in rows]


def counters(connection: Connection) -> dict[str, tuple[int, bool]]:
    """The state of each sequence."""
    return {name: (int(last), bool(is_out)) for name, last, is_out in connection.execute(_COUNTERS)}


def newest_seal(connection: Connection) -> tuple[int, str]:
    """How many seals change history has, and the digest of the newest."""
    rows = connection.execute("SELECT number, digest FROM resupply_historyseal ORDER BY number DESC LIMIT 1")
    number, digest = rows.fetchone() or (0, "")
    return int(number), str(digest)


def server_version(connection: Connection) -> str:
    """Such as 18.1."""
    return ".".join(str(part) for part in divmod(connection.info.server_version, 10_000))


def _names(columns: list[str]) -> sql.Composed:
    return sql.SQL(", ").join(sql.Identifier(name) for name in columns)


@dataclass(frozen=True, slots=True)
class Guards:
    """What watches over single writes: taken off while whole tables are loaded, then put back as it was.

    Keys between tables are checked when they are put back; triggers would write history of the loading.
    """

    keys: list[tuple[str, str, str]]
    triggers: list[tuple[str, str, str]]
    indexes: list[tuple[str, str]]

    @classmethod
    def taken_off(cls, connection: Connection) -> "Guards":
        """Note them all, and take them off within the transaction."""
        guards = cls(
            keys=[(str(a), str(b), str(c)) for a, b, c in connection.execute(_FOREIGN_KEYS)],
            triggers=[(str(a), str(b), str(c)) for a, b, c in connection.execute(_TRIGGERS)],
            indexes=[(str(a), str(b)) for a, b in connection.execute(_SIDE_INDEXES)],
        )
        for table, name, _ in guards.keys:
            connection.execute(_alter(table, "DROP CONSTRAINT", name))
        for table, name, _ in guards.triggers:
            connection.execute(_alter(table, "DISABLE TRIGGER", name))
        for name, _ in guards.indexes:
            connection.execute(sql.SQL("DROP INDEX {}").format(sql.Identifier("public", name)))
        return guards

    def put_back(self, connection: Connection) -> None:
        """Put them back; a key that points nowhere stops the whole."""
        connection.execute("SET CONSTRAINTS ALL IMMEDIATE")
        for _, definition in self.indexes:
            connection.execute(definition.encode())
        for table, name, definition in self.keys:
            connection.execute(_alter(table, "ADD CONSTRAINT", name) + sql.SQL(" " + definition))
        for table, name, state in self.triggers:
            if how := _ENABLE.get(state):
                connection.execute(_alter(table, how, name))


def _alter(table: str, what: str, name: str) -> sql.Composed:
    return sql.SQL("ALTER TABLE {} {} {}").format(
        sql.Identifier("public", table),
        sql.SQL(what),
        sql.Identifier(name),
    )


def empty(connection: Connection, some: list[Table]) -> None:
    """Take out what migrations wrote: a backup brings its own."""
    names = sql.SQL(", ").join(sql.Identifier("public", table.name) for table in some)
    connection.execute(sql.SQL("TRUNCATE {}").format(names))


def load(connection: Connection, table: Table, text: Iterator[bytes]) -> None:
    """Write a table's COPY text."""
    query = sql.SQL("COPY {} ({}) FROM STDIN").format(
        sql.Identifier("public", table.name), _names(table.columns)
    )
    with connection.cursor().copy(query) as copy:
        for some in text:
            copy.write(some)


def set_counters(connection: Connection, manifest: Manifest) -> None:
    """Let numbers go on where they had come to."""
    for name, (last, is_out) in manifest.counters.items():
        connection.execute(
            "SELECT setval(('public.' || quote_ident(%s))::regclass, %s, %s)", [name, last, is_out]
        )
