"""Warnings that need the whole record: swaps that start nothing, pauses that overlap.

Reports are never refused: they are kept, and the rules give them their meaning.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace

from resupply.models import Event, EventType, Patient
from resupply.queries import facts as facts_of
from resupply.rules.facts import PatientFacts
from resupply.rules.kinds import Kind
from resupply.rules.lines import plan_lines
from resupply.services.chunks import chunks
from resupply.services.importing.columns import EVENTS
from resupply.services.importing.report import Report
from resupply.services.importing.rows import EventRow


def look_again(rows: Sequence[tuple[EventRow, str]], people: Mapping[str, Patient], report: Report) -> None:
    """Warn about new events that change nothing or contradict others; they have been written already."""
    swaps = [row for row, _ in rows if row.event is EventType.SWAP]
    _warn_of_idle_swaps(swaps, people, report)
    pauses = [row for row, _ in rows if row.event is EventType.PAUSE]
    _warn_of_overlaps(pauses, people, report)


def _warn_of_idle_swaps(swaps: Sequence[EventRow], people: Mapping[str, Patient], report: Report) -> None:
    """A swap counts if a unit of its line starts on its day."""
    if not swaps:
        return
    policy = facts_of.policy()
    by_patient: dict[int, list[EventRow]] = defaultdict(list)
    for row in swaps:
        by_patient[people[row.reference].pk].append(row)
    for some in chunks(by_patient):
        for patient_id, facts in facts_of.patient_facts(some).items():
            for row in by_patient[patient_id]:
                assert row.kind is not None  # noqa: S101 - a checked swap has its kind
                lines = plan_lines(_of_kind(facts, row.kind), policy, as_of=row.on)
                if any(line.kind is row.kind and line.in_use_since == row.on for line in lines):
                    continue
                report.add(
                    EVENTS.file,
                    row.number,
                    "kind",
                    row.kind.value,
                    f"no spare of this part is on record on {row.on}; the swap is kept and changes nothing",
                    "add the dispense the part came from, correct the date, or leave it as it is",
                    is_warning=True,
                )


def _of_kind(facts: PatientFacts, kind: Kind) -> PatientFacts:
    """The facts that bear on one line: its own, and those of masks, which bring contained parts."""
    kinds = {kind, Kind.MASK}
    return replace(
        facts,
        deliveries=tuple(fact for fact in facts.deliveries if fact.kind in kinds),
        swaps=tuple(fact for fact in facts.swaps if fact.kind in kinds),
        losses=tuple(fact for fact in facts.losses if fact.kind in kinds),
    )


def _warn_of_overlaps(pauses: Sequence[EventRow], people: Mapping[str, Patient], report: Report) -> None:
    """Two pauses that share days: therapy pauses on every day of either."""
    standing: dict[int, list[Event]] = defaultdict(list)
    for some in chunks({people[row.reference].pk for row in pauses}):
        for pause in Event.objects.filter(patient_id__in=some, event=EventType.PAUSE, voided_at=None):
            standing[pause.patient_id].append(pause)
    for row in pauses:
        for pause in standing[people[row.reference].pk]:
            if (pause.on, pause.until) == (row.on, row.until):
                continue
            if (row.until is None or pause.on < row.until) and (pause.until is None or row.on < pause.until):
                until = f"to {pause.until}" if pause.until else "with no end"
                wrong = f"it overlaps the pause from {pause.on} {until}; all days of both count as paused"
                mend = "correct the dates, or leave it as it is"
                report.add(EVENTS.file, row.number, "on", str(row.on), wrong, mend, is_warning=True)
                break
