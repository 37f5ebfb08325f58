"""What a supply strip draws of a patient: every unit that was, is or is expected to be in use, and the
pauses.
"""

from dataclasses import dataclass
from datetime import date

from resupply.models import Patient
from resupply.queries.facts import wear_facts
from resupply.rules.facts import Pause
from resupply.rules.kinds import Kind
from resupply.rules.wear import LineWear, walk


@dataclass(frozen=True, slots=True)
class StripData:
    """Wear by kind as of a day, and the therapy pauses begun by then."""

    lines: dict[Kind, LineWear]
    pauses: tuple[Pause, ...]


def strip_data(patient: Patient, *, today: date) -> StripData:
    """The strip of one patient as of a day, worked out from the records. Two queries."""
    facts, policy = wear_facts(patient.pk)
    return StripData(
        {line.kind: line for line in walk(facts, policy, as_of=today)},
        tuple(pause for pause in facts.pauses if pause.start <= today),
    )
