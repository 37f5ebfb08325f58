"""A full rebuild of plans against adding a day to each of their lines, and the rules by themselves.

Measured on the patients that have dispenses on record (40 units each), in a copy of the largest database that
is dropped afterwards: among six million lines and in their indexes, at full size.
"""

import os
import resource
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime
from multiprocessing import get_context
from statistics import median
from typing import NamedTuple

from django.db import connection
from django.db.models import F

from benchmarks import databases
from benchmarks.measure import Result, once, processor
from benchmarks.population import TODAY
from resupply.management.commands.rebuild_plans import side_by_side
from resupply.models import Dispense, PlanLine
from resupply.queries.facts import patient_facts, policy
from resupply.rules.lines import plan_patient
from resupply.services import plans

NOW = datetime.combine(TODAY, datetime.min.time(), UTC).replace(hour=18)
ROUNDS = 3
LINES_A_SECOND = 20_000.0
"""The rules alone, on one core."""
CORES = len(os.sched_getaffinity(0))


def run(sizes: Sequence[int]) -> Iterator[str | Result]:
    """In the largest database, of those patients alone: their numbers are the first."""
    with databases.copied(sizes[-1]):
        ids = list(Dispense.objects.values_list("patient", flat=True).distinct().order_by("patient"))
        last = ids[-1]
        yield from _rules(ids[:500])
        _alone(last)
        lines = PlanLine.stored.filter(patient__lte=last).count()
        yield f"rebuild: {len(ids):,} patients with {lines:,} lines, of {sizes[-1]:,} patients"
        taken = [_round(last) for _ in range(ROUNDS)]
        moved, one, all_cores, nothing = (_middle(times) for times in zip(*taken, strict=True))
        for what, times in (("one process", one), (f"{CORES} processes", all_cores)):
            yield f"rebuild: {what}: {lines / times.ms * 1000:,.0f} lines a second"
        limit = "UPDATE date+1 of the same lines"
        yield Result(f"full rebuild, {CORES} processes, ms", all_cores.ms, moved.ms, limit, 5)
        yield Result(
            f"full rebuild, processor ms over {CORES} cores", round(one.busy / CORES, 1), moved.busy, limit, 5
        )
        what = "rebuild that changes nothing, one process, ms"
        yield Result(what, nothing.ms, one.ms, "a full one", 0.05)
        yield _memory(last)


class Took(NamedTuple):
    """Milliseconds on the clock, and of processor time of this process and its backend."""

    ms: float
    busy: float


def _round(last: int) -> tuple[Took, Took, Took, Took]:
    """A day added to each line; their rebuild by one process, by all, with nothing to do."""
    moved = _took(lambda: _move(last))
    one = _took(lambda: _alone(last))
    _move(last)
    all_cores = _took(lambda: list(side_by_side(CORES, now=NOW, after=0, up_to=last)))
    return moved, one, all_cores, _took(lambda: _alone(last))


def _middle(times: Sequence[Took]) -> Took:
    return Took(*(round(median(values), 1) for values in zip(*times, strict=True)))


def _move(last: int) -> None:
    PlanLine.stored.filter(patient__lte=last).update(supply_ends_on=F("supply_ends_on") + 1)


def _alone(last: int) -> None:
    for _ in plans.rebuild_plans(now=NOW, up_to=last):
        pass


def _rules(ids: Sequence[int]) -> Iterator[Result]:
    """Plans of patients whose facts are read already."""
    known, rules = patient_facts(ids), policy()
    made = sum(len(plan_patient(facts, rules, as_of=TODAY).lines) for facts in known.values())
    taken = median(
        _took(lambda: [plan_patient(facts, rules, as_of=TODAY) for facts in known.values()]).busy
        for _ in range(2 * ROUNDS + 1)
    )
    limit = 1_000_000 / LINES_A_SECOND
    yield Result(
        "rules alone, 8 units a line, one core: µs of processor time a line",
        round(taken * 1000 / made, 1),
        limit,
        "limit",
        1,
    )


def _memory(last: int) -> str:
    """The peak of a process that works out a fourth of the patients, and of one that works out all."""
    few, everybody = (_in_a_process_of_its_own(_peak, upto) for upto in (last // 4, last))
    more = f"{everybody - few:.1f} MB more for four times the patients"
    return f"rebuild: memory at most {few:.0f} MB, {more}"


def _peak(last: int) -> float:
    """Megabytes at most, changed or not."""
    for _ in plans.rebuild_plans(now=NOW, up_to=last, doubting=True):
        pass
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _in_a_process_of_its_own(work: Callable[[int], float], last: int) -> float:
    """A peak never falls again, so each is that of a process that has done nothing else."""
    connection.close()
    with ProcessPoolExecutor(1, mp_context=get_context("fork")) as pool:
        return pool.submit(work, last).result()


def _took(work: Callable[[], object]) -> Took:
    connection.ensure_connection()
    backend = connection.connection.info.backend_pid
    before, taken = processor(), once(work)
    connection.ensure_connection()
    if connection.connection.info.backend_pid != backend:  # closed meanwhile: its time is not known
        return Took(taken, 0.0)
    return Took(taken, (processor() - before) * 1000)
