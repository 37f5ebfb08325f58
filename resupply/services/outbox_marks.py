"""The two marks that every message takes: that its sending begins, and what became of it.

Both are single statements, committed one by one. They are prepared once a connection, in SQL and not by the
ORM: there to compose and to plan them took four times as long as to carry them out.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import psycopg
from django.db import connection

from resupply.models import Message
from resupply.rules.sending import Answer, Letter, Verdict

_FIELDS = {field.attname: field for field in Message._meta.concrete_fields}


@dataclass(frozen=True, slots=True)
class Claim:
    """The right to send one message, for as long as its fence is the row's."""

    message_id: int
    fence: int
    attempts: int
    is_unsure: bool


_BEGUN = """
    UPDATE resupply_message SET state = 'sending'
    FROM (SELECT set_config('synchronous_commit', 'off', true)) AS quick
    WHERE id = %s AND fence = %s AND leased_until > %s AND state = 'waiting'"""


def begin(held: Claim, *, now: datetime) -> bool:
    """Mark that the sending begins; False where the lease is over or another worker holds the message.

    The mark need not reach the disk before the message goes out: it is there for a worker that is killed, and
    what a killed worker committed is kept. Waiting for the disk would cost a third of the rate.
    """
    return _changed_one(_BEGUN, [held.message_id, held.fence, now])


_FINISHED = """
    UPDATE resupply_message SET state = %s, last_error = %s, provider_ref = %s, is_unsure = %s, attempts = %s,
        leased_until = NULL, finished_at = coalesce(%s, finished_at), not_before = coalesce(%s, not_before),
        address = coalesce(%s, address), subject = coalesce(%s, subject), body_text = coalesce(%s, body_text)
    WHERE id = %s AND fence = %s AND state IN ('waiting', 'sending')"""


def finish(held: Claim, verdict: Verdict, letter: Letter | None, answer: Answer, *, now: datetime) -> bool:
    """Record what became of a message, if it is still ours; what was sent is kept as it was sent."""
    wait = verdict.wait
    words = (letter.address, letter.subject[:200], letter.text) if letter is not None else (None, None, None)
    kept = dict(zip(("address", "subject", "body_text"), words, strict=True))
    values = [
        *(verdict.fate.value, answer.detail[:200], answer.reference[:128], verdict.is_unsure),
        held.attempts if verdict.counts else held.attempts - 1,
        *((now, None) if wait is None else (None, now + wait)),
        *(_FIELDS[name].get_db_prep_save(value, connection) for name, value in kept.items()),
        *(held.message_id, held.fence),
    ]
    return _changed_one(_FINISHED, values)


def _changed_one(sql: str, values: Sequence[object]) -> bool:
    """Run a prepared statement on Django's connection; whether it changed a row."""
    connection.ensure_connection()
    with connection.wrap_database_errors, psycopg.Cursor(connection.connection) as cursor:
        cursor.execute(sql.encode(), values, prepare=True)
        return cursor.rowcount == 1
