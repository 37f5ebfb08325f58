"""What supply strips of a draft show: lines of some patients as the rules are, and as they would be."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from resupply.models import PolicyDraft, PolicyEffect
from resupply.queries import facts as facts_of
from resupply.queries.drafts import change_of
from resupply.rules.facts import Pause
from resupply.rules.kinds import Kind
from resupply.rules.lines import LinePlan, plan_patient
from resupply.rules.wear import LineWear, walk

MOST = 3
"""Patients that are drawn: enough to see the move."""


@dataclass(frozen=True, slots=True)
class DrawnLine:
    """A line by both rules: its dates and its units."""

    kind: Kind
    plans: tuple[LinePlan, LinePlan]
    wear: tuple[LineWear, LineWear]


@dataclass(frozen=True, slots=True)
class DrawnPatient:
    """A patient whose lines move; `row` is the first of them."""

    row: PolicyEffect
    lines: tuple[DrawnLine, ...]
    pauses: tuple[Pause, ...]


def drawn(draft: PolicyDraft, rows: Sequence[PolicyEffect], *, as_of: date) -> list[DrawnPatient]:
    """The first patients of a list of effects, with the lines in it. The draft is not in force yet."""
    kinds: dict[int, list[PolicyEffect]] = {}
    for row in rows:
        if row.kind and (row.patient_id in kinds or len(kinds) < MOST):
            kinds.setdefault(row.patient_id, []).append(row)
    if not kinds:
        return []
    policies = facts_of.clinic_rules().policy, facts_of.clinic_rules(change=change_of(draft)).policy
    found = []
    for patient, known in facts_of.patient_facts(list(kinds)).items():
        plans = [
            {line.kind: line for line in plan_patient(known, one, as_of=as_of).lines} for one in policies
        ]
        wear = [{line.kind: line for line in walk(known, one, as_of=as_of)} for one in policies]
        moved = [Kind(row.kind) for row in kinds[patient]]
        lines = tuple(
            DrawnLine(kind, (plans[0][kind], plans[1][kind]), (wear[0][kind], wear[1][kind]))
            for kind in moved
            if kind in plans[0] and kind in plans[1]
        )
        pauses = tuple(pause for pause in known.pauses if pause.start <= as_of)
        found.append(DrawnPatient(kinds[patient][0], lines, pauses))
    return sorted(found, key=lambda one: one.row.pk)
