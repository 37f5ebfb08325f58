"""How long parts last one patient: by the clinic's policy, and by the patient's own lives."""

from dataclasses import dataclass
from datetime import date

from resupply.models import LifeVersion, Patient
from resupply.queries.facts import wear_facts
from resupply.rules.facts import LifeStep
from resupply.rules.kinds import PLACE, Kind
from resupply.rules.periods import Period
from resupply.rules.versions import in_force, life_on, life_schedule


@dataclass(frozen=True, slots=True)
class PartLife:
    """A part of a patient: the life by policy, and the patient's own where one counts today, with its day."""

    kind: Kind
    code: str
    by_policy: LifeStep
    own: Period | None
    own_since: date | None


def part_lives(patient: Patient, *, today: date) -> list[PartLife]:
    """The parts on the patient's lines, and those with a life of the patient's own. Three queries."""
    held = dict(patient.plan_lines.values_list("part_code", "kind"))
    known, policy = wear_facts(patient.pk)
    codes = held.keys() | known.own_lives.keys()
    found = []
    for code in codes:
        version = in_force(known.own_lives.get(code, ()), today)
        own = version.life if version else None
        found.append(
            PartLife(
                kind=policy.kinds[code],
                code=code,
                by_policy=life_on(life_schedule(code, policy), today),
                own=own,
                own_since=version.effective_from if version and own else None,
            )
        )
    return sorted(found, key=lambda part: (PLACE[part.kind], part.code))


def versions_of(patient: Patient) -> list[LifeVersion]:
    """Every version of the patient's own lives, voided ones too, the latest day first. One query."""
    rows = patient.lives.select_related("recorded_by", "voided_by")
    return list(rows.order_by("-effective_from", "-pk"))
