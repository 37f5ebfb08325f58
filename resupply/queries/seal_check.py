"""Checking the seals over change history: what does not hold, by what is known from the seals alone.

Found: a row that was changed or is missing, a row that was added below the newest seal, a seal that was
edited or taken out, and a seal at the end that is gone, where its number and hash were kept outside. Not
found, because nothing could: rows younger than the newest seal, and a history whose every seal was made
anew, unless a hash was kept outside.
"""

import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

from django.db import connection

from resupply.models import HistoryLayout, HistoryMark, HistorySeal
from resupply.queries import seal_rows
from resupply.queries.seal_rows import GAP_CLOSES_S, Span

_NAMED = 20
"""Missing and added rows named one by one, of each table and seal."""
_CLOSES = timedelta(seconds=GAP_CLOSES_S)


@dataclass(frozen=True, slots=True)
class Problem:
    """What does not hold: a code (a key of `WORDS`), the seal or table, and numbers of rows."""

    code: str
    where: str
    numbers: tuple[int, ...] = ()


@dataclass(slots=True)
class Checked:
    """The outcome: seals and rows looked at, rows younger than the newest seal, the newest seal, problems."""

    seals: int = 0
    rows: int = 0
    waiting: int = 0
    newest: tuple[int, str] | None = None
    problems: list[Problem] = field(default_factory=list)


def newest_seal() -> tuple[int, str] | None:
    """Number and hash of the newest seal: what is kept outside, and what two databases are compared by."""
    return HistorySeal.objects.order_by("-number").values_list("number", "digest").first()


def check(*, kept: dict[int, str] | None = None) -> Checked:
    """Check every seal and every row below them; `kept`: hashes that were kept outside, by number of seal.

    To be asked within a transaction: `services.seals.check_seals` begins one with one view of the database.
    """
    seal_rows.fix_settings()
    return _Check(kept or {}).run()


@dataclass(slots=True)
class _Covered:
    """What seals so far cover of one table: everything up to `top` but gaps, each with when it was seen."""

    key: str
    top: int = 0
    gaps: list[tuple[int, int, datetime]] = field(default_factory=list)


class _Check:
    def __init__(self, kept: dict[int, str]) -> None:
        self.kept = dict(kept)
        self.found = Checked()
        self.tables: dict[str, _Covered] = {}
        self.layouts = {row.digest: row for row in HistoryLayout.objects.all()}
        self.existing = seal_rows.existing_columns()
        self.at: datetime | None = None

    def run(self) -> Checked:
        """Walk the seals, then look for rows that none of them covers."""
        number, previous, until = 0, "", ""
        for seal in HistorySeal.objects.order_by("number").iterator(chunk_size=500):
            if seal.number != number + 1:
                self._problem("seal_missing", f"seal {number + 1}")
            body = self._body(seal)
            if body is not None:
                if body["previous"] != previous:
                    self._problem("chain_broken", f"seal {seal.number}")
                self._look_at(seal.number, body, until)
                self.at, until = datetime.fromisoformat(body["at"]), body["contexts"]["until"]
            number, previous = seal.number, seal.digest
            self.found.seals += 1
            self.found.newest = (seal.number, seal.digest)
        for gone in sorted(self.kept):
            self._problem("seal_gone", f"seal {gone}")
        for table in sorted(self.tables):
            self._look_for_more(table, self.tables[table])
        self._look_at_marks()
        self._count_new()
        return self.found

    def _body(self, seal: HistorySeal) -> dict[str, Any] | None:
        """What a seal says; None where it is not what was hashed."""
        if self.kept.pop(seal.number, seal.digest) != seal.digest:
            self._problem("not_as_kept", f"seal {seal.number}")
        if hashlib.sha256(seal.body.encode()).hexdigest() != seal.digest:
            self._problem("seal_edited", f"seal {seal.number}")
            return None
        body: dict[str, Any] = json.loads(seal.body)
        at = seal.sealed_at.astimezone(UTC).isoformat(timespec="microseconds")
        if (body["seal"], body["at"]) != (seal.number, at):
            self._problem("seal_edited", f"seal {seal.number}")
        return body

    def _look_at(self, number: int, body: dict[str, Any], until: str) -> None:
        at = datetime.fromisoformat(body["at"])
        for table, entry in body["tables"].items():
            spans: list[Span] = [(low, high) for low, high in entry["spans"]]
            if self._has_layout(table, entry["layout"]):
                self._compare(table, spans, entry)
            self._cover(table, spans, at, number)
        said = body["contexts"]
        if until and said["after"] != until:
            self._problem("chain_broken", f"seal {number}")
        if (said["rows"], said["sha256"]) != seal_rows.contexts_digest(said["after"], said["until"]):
            self._problem("contexts_changed", f"seal {number}")

    def _has_layout(self, table: str, digest: str) -> bool:
        layout = self.layouts.get(digest)
        whole = layout is not None and digest == seal_rows.layout_digest(layout.table, layout.columns)
        if not whole or layout is None or layout.table != table:
            self._problem("layout_edited", table)
            return False
        if not self.existing.get(table, frozenset()) >= {column.rstrip("#") for column in layout.columns}:
            self._problem("columns_missing", table)
            return False
        key = "pgh_id" if "pgh_id" in layout.columns else "id"
        self.tables.setdefault(table, _Covered(key))
        return True

    def _compare(self, table: str, spans: list[Span], entry: dict[str, Any]) -> None:
        """Rows of a seal against what was hashed."""
        key, columns = self.tables[table].key, self.layouts[entry["layout"]].columns
        count, digest = seal_rows.rows_digest(table, key, columns, spans)
        self.found.rows += count
        if count != entry["rows"]:
            self._problem("rows_missing", table, self._absent(table, key, spans))
        elif digest != entry["sha256"]:
            self._problem("rows_changed", table, [number for span in spans for number in span])

    def _cover(self, table: str, spans: list[Span], at: datetime, number: int) -> None:
        covered = self.tables.get(table)
        if covered is None:
            return
        for low, high in spans:
            if low > covered.top:
                if low > covered.top + 1:
                    covered.gaps.append((covered.top + 1, low - 1, at))
                covered.top = high
            elif not self._fills(covered, low, high):
                self._problem("rows_added", table, [low, high])

    def _fills(self, covered: _Covered, low: int, high: int) -> bool:
        """Whether rows came late into a gap that was open still; the gap shrinks."""
        for place in range(len(covered.gaps) - 1, -1, -1):
            first, last, since = covered.gaps[place]
            if first <= low and high <= last:
                rest = [(first, low - 1, since), (high + 1, last, since)]
                covered.gaps[place : place + 1] = [gap for gap in rest if gap[0] <= gap[1]]
                return self.at is None or self.at - since < _CLOSES
        return False

    def _look_for_more(self, table: str, covered: _Covered) -> None:
        """Rows in gaps: in closed ones somebody added them, in open ones they wait for the next seal."""
        assert self.at is not None  # noqa: S101 - a table is covered by a seal
        closed = [(low, high) for low, high, since in covered.gaps if self.at - since >= _CLOSES]
        still = [(low, high) for low, high, since in covered.gaps if self.at - since < _CLOSES]
        added = self._present(table, covered.key, [(-(2**62), 0), *closed])
        if added:
            self._problem("rows_added", table, added)
        self.found.waiting += len(self._present(table, covered.key, still))

    def _look_at_marks(self) -> None:
        """The next seal goes on where the newest one ends, or what lies between would never be sealed."""
        marks = dict(HistoryMark.objects.values_list("table", "up_to"))
        tops = {table: covered.top for table, covered in self.tables.items()}
        for table in sorted(marks.keys() | tops.keys()):
            if marks.get(table, 0) != tops.get(table, 0):
                self._problem("mark_off", table)

    def _count_new(self) -> None:
        for table in seal_rows.sealed_tables():
            top = self.tables[table.name].top if table.name in self.tables else 0
            with connection.cursor() as cursor:
                cursor.execute(f"SELECT count(*) FROM {table.name} WHERE {table.key} > %s", [top])  # noqa: S608
                self.found.waiting += cursor.fetchone()[0]

    def _present(self, table: str, key: str, spans: list[Span]) -> list[int]:
        return _numbers(
            f"SELECT {key} FROM unnest(%s::bigint[], %s::bigint[]) AS span(low, high) JOIN {table}"  # noqa: S608
            f" ON {key} BETWEEN span.low AND span.high ORDER BY 1 LIMIT {_NAMED}",
            spans,
        )

    def _absent(self, table: str, key: str, spans: list[Span]) -> list[int]:
        return _numbers(
            "SELECT n FROM unnest(%s::bigint[], %s::bigint[]) AS span(low, high),"  # noqa: S608
            f" generate_series(span.low, span.high) AS n WHERE NOT EXISTS (SELECT FROM {table}"
            f" WHERE {key} = n) ORDER BY 1 LIMIT {_NAMED}",
            spans,
        )

    def _problem(self, code: str, where: str, numbers: list[int] | None = None) -> None:
        self.found.problems.append(Problem(code, where, tuple(numbers or ())))


def _numbers(sql: str, spans: list[Span]) -> list[int]:
    with connection.cursor() as cursor:
        cursor.execute(sql, [[low for low, _ in spans], [high for _, high in spans]])
        return [row[0] for row in cursor.fetchall()]


def problems(found: Checked) -> Iterator[str]:
    """A line for each problem, without a word of what the rows hold."""
    for problem in found.problems:
        named = ", ".join(str(number) for number in problem.numbers)
        yield f"{problem.where}: {WORDS[problem.code]}" + (f" ({named})" if named else "")


WORDS = {
    "seal_missing": "is not there, though later ones are",
    "seal_gone": "is not there, though its hash was kept outside",
    "not_as_kept": "has another hash than the one kept outside",
    "seal_edited": "does not have its SHA-256 any more",
    "chain_broken": "does not continue the one before it",
    "contexts_changed": "covers records of who made changes that were changed, added or deleted",
    "layout_edited": "the record of its columns was changed",
    "columns_missing": "the table, or one of the columns that were sealed, is not there",
    "rows_missing": "rows are missing that were sealed",
    "rows_changed": "a row was changed after it was sealed; it is one of those from … to …",
    "mark_off": "the next seal would not go on where the newest one ends",
    "rows_added": "rows were added between sealed ones",
}
"""What each code means."""
