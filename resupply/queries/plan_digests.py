"""Digests of plans: one number for all that a patient's plan was worked out from, and for its own rows.

While that number is what it was when the plan was last worked out, working it out again would change nothing,
and a rebuild finds that out many times faster than by doing it. A digest is made of where PostgreSQL keeps
the rows and of the transactions that wrote them (system columns `ctid` and `xmin`): whatever adds, changes
or removes a row shows, raw SQL past every trigger too. What rewrites rows as they were, such as a restored
backup, shows as well, and costs one full rebuild. The clinic's rules and this program count like facts: a
new version of it works every plan out once.
"""

from collections.abc import Collection, Sequence
from datetime import date
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import Any, NamedTuple

from django.db import connection

import resupply
from resupply.queries import kept_rules

_ROOMS = ("rules", "models", "queries", "services")
"""Rooms of the program that decide what a plan is, with the tables shipped in them."""


class Facts(NamedTuple):
    """A patient whose plan may have to be worked out, and the digest of the facts as they were at the look.

    `changed`: they, the plan or the rules are not what they were; else the plan may run out on `valid_until`
    in `time_zone`.
    """

    patient_id: int
    digest: int
    changed: bool
    valid_until: date | None
    time_zone: str


class _Source(NamedTuple):
    """A table whose `row`s belong to patients; `joined`: where whose they are stands in another."""

    table: str
    owner: str = "row.patient_id"
    joined: str = ""


_FACTS = (
    _Source("resupply_patient", owner="row.id"),
    _Source("resupply_dispense"),
    _Source(
        "resupply_dispenseline",
        owner="whose.patient_id",
        joined="JOIN resupply_dispense whose ON whose.id = row.dispense_id",
    ),
    _Source("resupply_event"),
    _Source("resupply_coverage"),
    _Source("resupply_lifeversion"),
    _Source("resupply_refillanswer"),
    _Source(
        "resupply_refillansweritem",
        owner="whose.patient_id",
        joined="JOIN resupply_refillanswer whose ON whose.id = row.answer_id",
    ),
)
_DERIVED = (
    _Source("resupply_planline"),
    _Source("resupply_planchecklist"),
    _Source("resupply_planstate"),
    _Source("resupply_standingyes"),
)
COVERED = frozenset(source.table for source in (*_FACTS, *_DERIVED))
"""Every table of which a patient's digest covers the rows; the clinic's rules have a digest of their own."""


def rules_digest() -> int:
    """Of what holds for every patient, which edition of plans is shown among it, and of this program. One
    query.
    """
    return kept_rules.digest_now() ^ _program_digest()


@cache
def _program_digest() -> int:
    digest = sha256()
    home = Path(resupply.__file__).parent
    for room in _ROOMS:
        for file in sorted((home / room).rglob("*")):
            if file.suffix in {".py", ".toml"}:
                digest.update(f"{file.relative_to(home)}\0".encode() + file.read_bytes() + b"\0")
    return int.from_bytes(digest.digest()[:8], "big", signed=True)


def _hash(table: int) -> str:
    """A row as 64 bits: its place in its table, and the transaction that wrote it there."""
    return f"hashtidextended(row.ctid, hashtextextended(row.xmin::text, {table}))"


def _digests(sources: Sequence[_Source], which: str, *, first: int) -> str:
    """SQL of one digest a patient; `first` keeps the tables of one call from counting as another's."""
    rows = " UNION ALL ".join(
        f"SELECT {source.owner} AS patient, {_hash(table)} AS digest"  # noqa: S608 - our names
        f" FROM {source.table} row {source.joined} WHERE {source.owner} {which}"
        for table, source in enumerate(sources, first)
    )
    return f"SELECT patient, bit_xor(digest) AS digest FROM ({rows}) found GROUP BY patient"  # noqa: S608


_IN_RANGE = "BETWEEN %(first)s AND %(last)s"
_NAMED = "= ANY(%(owners)s)"
_CHANGED = f"""
    SELECT * FROM (
    SELECT facts.patient, facts.digest, kept.digest IS DISTINCT FROM
        (facts.digest # coalesce(plan.digest, 0) # %(rules)s::bigint) AS changed, state.valid_until, time_zone
    FROM ({_digests(_FACTS, _IN_RANGE, first=0)}) facts
        LEFT JOIN ({_digests(_DERIVED, _IN_RANGE, first=100)}) plan ON plan.patient = facts.patient
        LEFT JOIN resupply_plandigest kept ON kept.patient_id = facts.patient
        LEFT JOIN resupply_planstate state ON state.patient_id = facts.patient
        JOIN resupply_patient patient ON patient.id = facts.patient) looked
    WHERE changed OR valid_until <= %(horizon)s OR %(doubting)s
    ORDER BY patient"""  # noqa: S608
_KEEP = f"""
    INSERT INTO resupply_plandigest (patient_id, digest)
    SELECT facts.patient, facts.digest # coalesce(plan.digest, 0) # %(rules)s::bigint
    FROM unnest(%(owners)s::bigint[], %(digests)s::bigint[]) facts(patient, digest)
        LEFT JOIN ({_digests(_DERIVED, _NAMED, first=100)}) plan ON plan.patient = facts.patient
    ON CONFLICT (patient_id) DO UPDATE SET digest = EXCLUDED.digest"""  # noqa: S608


def look(first: int, last: int, *, rules: int, horizon: date, doubting: bool = False) -> list[Facts]:
    """Those patients of a range of numbers whose plan may differ from what it would be worked out to, in
    order: changed, or valid until `horizon` at most; `doubting`: all of them.

    `rules`: `rules_digest()`. One query, no lock.
    """
    with connection.cursor() as cursor:
        values: dict[str, Any] = {"first": first, "last": last, "rules": rules, "horizon": horizon}
        cursor.execute(_CHANGED, {**values, "doubting": doubting})
        return list(map(Facts._make, cursor.fetchall()))


def keep(looked_at: Collection[Facts], *, rules: int) -> None:
    """Put on record what these plans were worked out from, in the transaction that did it.

    The look came first: what changed between it and the plan shows at the next look. One statement.
    """
    owners = [facts.patient_id for facts in looked_at]
    digests = [facts.digest for facts in looked_at]
    with connection.cursor() as cursor:
        cursor.execute(_KEEP, {"owners": owners, "digests": digests, "rules": rules})
