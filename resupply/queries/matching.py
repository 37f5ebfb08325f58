"""Matching tables in force, what two of them say differently, and a patient's matches."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

from resupply.models import MatchingVersion, MatchRecord, Patient
from resupply.rules.matching_table import Table, read_table, shipped
from resupply.rules.matching_words import gate_words, rule_words, style_words


@dataclass(frozen=True, slots=True)
class TableNow:
    """A table and the version it comes from; None: the shipped one."""

    table: Table
    version: MatchingVersion | None


@dataclass(frozen=True, slots=True)
class Difference:
    """A row that two tables do not share: what it is, its id, and what it says in each (empty: not there)."""

    sort: str
    id: str
    before: str
    after: str


def table_on(day: date) -> TableNow:
    """The table in force on a day: the newest version begun by then, else the shipped one. One query."""
    version = (
        MatchingVersion.objects.filter(voided_at=None, effective_from__lte=day)
        .order_by("-effective_from", "-pk")
        .first()
    )
    return TableNow(read_table(version.table), version) if version else TableNow(shipped(), None)


def style_names(day: date) -> dict[str, str]:
    """What styles are called on a day, by id; with those of the shipped table, as records may name them."""
    tables = (shipped(), table_on(day).table)
    return {style.id: style.name for table in tables for style in table.styles}


def table_of(record: MatchRecord) -> Table:
    """The table a match was judged by."""
    return read_table(record.version.table) if record.version else shipped()


def versions() -> list[MatchingVersion]:
    """All versions, newest first, voided ones too."""
    rows = MatchingVersion.objects.select_related("recorded_by", "voided_by")
    return list(rows.order_by("-effective_from", "-pk"))


def matches(patient: Patient) -> list[MatchRecord]:
    """A patient's matches, newest first, voided ones too."""
    rows = MatchRecord.objects.filter(patient=patient).select_related("recorded_by", "version")
    return list(rows.order_by("-pk"))


def latest_match(patient: Patient) -> MatchRecord | None:
    """The newest standing match of a patient."""
    rows = MatchRecord.objects.filter(patient=patient, voided_at=None).select_related("version")
    return rows.order_by("-pk").first()


def differences(before: Table, after: Table) -> Iterator[Difference]:
    """The rows in which two tables differ, rules last, in the order of the later table."""
    if before.suits_from != after.suits_from:
        yield Difference("setting", "suits_from", str(before.suits_from), str(after.suits_from))
    yield from _rows("style", {s.id: s.name for s in before.styles}, {s.id: s.name for s in after.styles})
    yield from _rows(
        "question", {q.id: q.text for q in before.questions}, {q.id: q.text for q in after.questions}
    )
    yield from _rows(
        "gate",
        {style_words(gate.styles, before): gate_words(gate, before) for gate in before.gates},
        {style_words(gate.styles, after): gate_words(gate, after) for gate in after.gates},
    )
    yield from _rows(
        "rule",
        {rule.id: rule_words(rule, before) for rule in before.rules},
        {rule.id: rule_words(rule, after) for rule in after.rules},
    )


def _rows(sort: str, before: dict[str, str], after: dict[str, str]) -> Iterator[Difference]:
    for name in (*after, *(name for name in before if name not in after)):
        if before.get(name) != after.get(name):
            yield Difference(sort, name, before.get(name, ""), after.get(name, ""))
