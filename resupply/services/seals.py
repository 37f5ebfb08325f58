"""Sealing change history: a hash over what came since the last seal, chained to it.

Nothing that writes history waits for this or does more for it: a seal reads rows that are committed. Numbers
are handed out before commit, so a number may be missing because its transaction still runs; it is remembered
as a gap, and a row that appears in it within the hour comes into a later seal. After that the gap is closed,
and a row in it is one that somebody added.
"""

import hashlib
import json
from datetime import UTC, datetime, timedelta
from typing import TypedDict

from django.db import connection, transaction

from resupply.models import HistoryLayout, HistoryMark, HistorySeal
from resupply.queries import seal_check, seal_rows
from resupply.queries.seal_rows import GAP_CLOSES_S, Span, Table

ROWS_A_SEAL = 100_000
"""Numbers of one table that one seal takes on at most: some seconds, and memory for 32 bytes each."""

_LOCK = 0x5EA1
"""The advisory lock that one maker of seals holds at a time."""

_BEGINNING = datetime(2000, 1, 1, tzinfo=UTC)
"""Before any change."""

Gap = tuple[int, int, str]


class Entry(TypedDict):
    """What a seal says of a table."""

    layout: str
    spans: list[Span]
    rows: int
    sha256: str


def seal(*, now: datetime, waits: bool = False) -> HistorySeal | None:
    """Seal what has been committed since the last seal, `ROWS_A_SEAL` of each table at most.

    None: nothing is new; or another process is at it, unless this one `waits` for it.
    """
    with transaction.atomic():
        if not _locked(waits=waits):
            return None
        seal_rows.fix_settings()
        last = HistorySeal.objects.order_by("-number").first()
        tables = _sealed_now(now)
        contexts = _contexts(last, now)
        if not tables and not contexts["rows"]:
            return None
        return _written(last, {"tables": tables, "contexts": contexts}, now)


def check_seals(*, kept: dict[int, str] | None = None) -> seal_check.Checked:
    """Check every seal and every row below them; `kept`: hashes that were kept outside, by number of seal.

    One transaction with one view of the database, so that it can run beside writers and makers of seals.
    Within a transaction that has begun already, as a test's, the view is that one's.
    """
    with transaction.atomic():
        if not connection.savepoint_ids:
            with connection.cursor() as cursor:
                cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ")
        return seal_check.check(kept=kept)


def seal_all(*, now: datetime, at_most: int = 50, waits: bool = False) -> list[HistorySeal]:
    """Seals until nothing is new, or so many of them."""
    made: list[HistorySeal] = []
    while len(made) < at_most:
        one = seal(now=now, waits=waits)
        if one is None:
            break
        made.append(one)
    return made


def _locked(*, waits: bool) -> bool:
    with connection.cursor() as cursor:
        if waits:
            cursor.execute("SELECT pg_advisory_xact_lock(%s)", [_LOCK])
            return True
        cursor.execute("SELECT pg_try_advisory_xact_lock(%s)", [_LOCK])
        return bool(cursor.fetchone()[0])


def _written(last: HistorySeal | None, what: dict[str, object], now: datetime) -> HistorySeal:
    number = last.number + 1 if last else 1
    head = {"seal": number, "at": _iso(now), "previous": last.digest if last else ""}
    body = json.dumps({**head, **what}, sort_keys=True, separators=(",", ":"))
    digest = hashlib.sha256(body.encode()).hexdigest()
    return HistorySeal.objects.create(number=number, sealed_at=now, body=body, digest=digest)


def _sealed_now(now: datetime) -> dict[str, Entry]:
    """The entry of each table that has something new; moves its mark."""
    tables = seal_rows.sealed_tables()
    newest = seal_rows.newest_numbers(tables)
    marks = {mark.table: mark for mark in HistoryMark.objects.all()}
    known = set(HistoryLayout.objects.values_list("digest", flat=True))
    entries: dict[str, Entry] = {}
    for table in tables:
        mark = marks.get(table.name) or HistoryMark(table=table.name)
        if newest[table.name] <= mark.up_to and not mark.open_gaps:
            continue
        found = _found(table, mark, newest[table.name], now)
        mark.save()
        if found:
            if table.layout not in known:
                HistoryLayout.objects.create(
                    table=table.name, columns=list(table.columns), digest=table.layout
                )
            entries[table.name] = _entry(table, found)
    return entries


def _entry(table: Table, found: list[Span]) -> Entry:
    count, digest = seal_rows.rows_digest(table.name, table.key, table.columns, found)
    return Entry(layout=table.layout, spans=found, rows=count, sha256=digest)


def _found(table: Table, mark: HistoryMark, newest: int, now: datetime) -> list[Span]:
    """Spans of rows that no seal has: late ones in open gaps, then new ones. The mark is brought up to
    them.
    """
    late: list[Span] = []
    still_open: list[Gap] = []
    for low, high, since in mark.open_gaps:
        came = seal_rows.spans(table, low, high)
        late += came
        if now - datetime.fromisoformat(since) < timedelta(seconds=GAP_CLOSES_S):
            still_open += [(*gap, since) for gap in seal_rows.outside(came, low, high)]
    first = seal_rows.first_number(table, mark.up_to)
    new = seal_rows.spans(table, first, min(newest, first + ROWS_A_SEAL - 1)) if newest > mark.up_to else []
    top = new[-1][1] if new else mark.up_to
    still_open += [(*gap, _iso(now)) for gap in seal_rows.outside(new, mark.up_to + 1, top)]
    mark.up_to, mark.open_gaps = top, still_open
    return sorted(late) + new


def _contexts(last: HistorySeal | None, now: datetime) -> dict[str, object]:
    """Who made the changes: contexts that are an hour old, as their requests may add to younger ones."""
    after = str(json.loads(last.body)["contexts"]["until"]) if last else _iso(_BEGINNING)
    until = max(after, _iso(now - timedelta(seconds=GAP_CLOSES_S)))
    count, digest = seal_rows.contexts_digest(after, until)
    return {"after": after, "until": until, "rows": count, "sha256": digest}


def _iso(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat(timespec="microseconds")
