"""Policy changes: the preview against a rebuild of the same plans, and how long an edit waits meanwhile.

Measured on the patients that have dispenses on record, in a copy of the database that is dropped afterwards.
"""

import threading
import time
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from random import Random

from django.db import connection, transaction
from django.db.models import F

from benchmarks import databases
from benchmarks.measure import Result, once
from benchmarks.population import TODAY
from resupply.models import Patient, PlanLine, PolicyDraft, PolicyKind
from resupply.services import plans, policy_changes
from resupply.services.policy_changes import Wanted

NOW = datetime.combine(TODAY, datetime.min.time(), UTC).replace(hour=18)
LONGEST_WAIT = 3_000.0
"""Milliseconds that an edit may wait."""


def run(sizes: Sequence[int]) -> Iterator[str | Result]:
    """In the largest database, of the patients concerned: the others are there, and their plans beside."""
    with databases.copied(sizes[-1]):
        ids = list(Patient.objects.filter(dispenses__isnull=False).distinct().values_list("pk", flat=True))
        yield f"policy: {len(ids):,} patients with dispenses, of {sizes[-1]:,}"
        _rebuild(ids)
        PlanLine.stored.filter(patient__in=ids).update(supply_ends_on=F("supply_ends_on") + 1)
        full, still = once(lambda: _rebuild(ids)), once(lambda: _rebuild(ids))
        yield f"policy: a rebuild that writes every line: {full:.0f} ms; that changes nothing: {still:.0f} ms"
        draft = _draft()
        policy_changes.ask_preview(draft, by=None, now=NOW)
        preview = once(lambda: policy_changes.preview(draft.pk))
        yield Result("policy preview of a life", preview, full, "the rebuild that writes every line", 1.2)
        yield from _applied(draft, ids)


def _applied(draft: PolicyDraft, ids: Sequence[int]) -> Iterator[str | Result]:
    """Apply it while somebody at the desk writes all the time."""
    quiet = _edits(ids, lambda: time.sleep(2))
    draft.refresh_from_db()

    def apply() -> None:
        policy_changes.start(draft, by=None, now=NOW)
        while not policy_changes.work_on(draft.pk, now=lambda: NOW):
            pass

    waits: list[float] = []
    taken = once(lambda: waits.extend(_edits(ids, apply))) / 1000
    alone = f"an edit alone takes {max(quiet):.0f} ms at most"
    yield f"policy: applied in {taken:.1f} s beside {len(waits)} edits; {alone}"
    yield Result("policy: an edit waits at most, ms", max(waits), LONGEST_WAIT, "what it may wait", 1.0)


def _edits(ids: Sequence[int], work: Callable[[], object]) -> list[float]:
    """Milliseconds that edits of single patients take, one after the other, until some work is done."""
    taken: list[float] = []
    is_over = threading.Event()

    def edit() -> None:
        dice = Random(1)
        while not is_over.is_set():
            taken.append(once(lambda: _rebuild([dice.choice(ids)])))
        connection.close()

    desk = threading.Thread(target=edit)
    desk.start()
    try:
        work()
    finally:
        is_over.set()
        desk.join()
    return taken


def _rebuild(ids: Sequence[int]) -> None:
    """As a rebuild of all plans does it, for these patients: committed batches."""
    for start in range(0, len(ids), plans.BATCH):
        batch = ids[start : start + plans.BATCH]
        with transaction.atomic():
            plans.lock_patients(batch)
            plans.refresh_plans(batch, now=NOW)


def _draft() -> PolicyDraft:
    """Cushions last two months, since ever: every cushion line moves."""
    values = {"part_code": "A7032", "period_count": 2, "period_unit": "month"}
    wanted = Wanted(
        kind=PolicyKind.LIFE, values=values, effective_from=TODAY.replace(year=2020), reason="benchmark"
    )
    return policy_changes.make(wanted, by=None, now=NOW)
