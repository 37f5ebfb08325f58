"""What is known about a patient when parts are to be given, and what stands against each row."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Self

from resupply.models import Patient, RefillAnswerItem
from resupply.queries import answers as answer_queries
from resupply.queries import facts as facts_of
from resupply.queries import recalls as recall_queries
from resupply.queries import screening
from resupply.queries.recalls import RecallFacts
from resupply.rules.facts import Delivery, PatientFacts, Policy
from resupply.rules.kinds import Kind
from resupply.rules.lines import plan_lines, present_payer
from resupply.rules.magnets import ScreenFacts
from resupply.rules.stops import Part, Stops, Yes, family_worn, stops
from resupply.services.dispensing.lines import NewLine
from resupply.services.records import local_day


@dataclass(frozen=True, slots=True)
class Known:
    """Facts of one patient, the policy, the standing recalls, and the yeses that parts may be given from."""

    facts: PatientFacts
    policy: Policy
    screen: ScreenFacts | None
    recalls: Sequence[RecallFacts]
    yeses: dict[str, RefillAnswerItem]
    """By kind."""

    @classmethod
    def about(cls, patient: Patient, *, now: datetime) -> Self:
        """What is on record now; the caller holds the patient's lock where a write follows."""
        return cls(
            facts_of.patient_facts([patient.pk])[patient.pk],
            facts_of.policy(),
            screening.newest_screen(patient.pk),
            recall_queries.standing(),
            answer_queries.open_items(patient.pk, now=now),
        )

    def against(self, lines: Sequence[NewLine], *, on: date, shipped: bool, zone: str) -> list[Stops]:
        """What stands against each row on a day; moments count as days of the location's `zone`."""
        parts = [self._part(line, zone) for line in lines]
        return stops(parts, self.facts, self.policy, on=on, screen=self.screen, shipped=shipped)

    def recall_of(self, line: NewLine) -> RecallFacts | None:
        """The recall that names a row; without its lot, also one that names some lots of such a part."""
        item_id, family = line.item.pk if line.item else None, line.mask_family
        recall = recall_queries.hits(
            self.recalls, item_id=item_id, family=family, part_code=line.code, lot=line.lot
        )
        if recall is None and not line.lot.strip():
            return recall_queries.depends_on_lot(
                self.recalls, item_id=item_id, family=family, part_code=line.code
            )
        return recall

    def family_on(self, day: date) -> str:
        """The family of the mask the patient wears."""
        return family_worn(self.facts, as_of=day)

    def answer_for(self, line: NewLine, *, on: date) -> RefillAnswerItem | None:
        """The patient's own yes that a row is given from, if there is one of that day or before."""
        item = self.yeses.get(line.kind)
        return item if item is not None and item.answer.contacted_on <= on else None

    def next_from(self, lines: Sequence[NewLine], *, on: date) -> dict[Kind, date]:
        """From which day each kind may be dispensed again, once these rows are dispensed on a day."""
        payer = present_payer(self.facts, as_of=on)
        given = tuple(
            Delivery(
                on,
                line.kind,
                line.code,
                line.quantity,
                line.mask_family,
                contains=line.packed,
                billed_to="" if line.billed is False else payer,
            )
            for line in lines
        )
        later = replace(self.facts, deliveries=(*self.facts.deliveries, *given))
        return {line.kind: line.deliver_from for line in plan_lines(later, self.policy, as_of=on)}

    def _part(self, line: NewLine, zone: str) -> Part:
        item = self.yeses.get(line.kind)
        return Part(
            line.code,
            line.quantity,
            line.mask_family,
            line.expires_on,
            line.item.magnetic if line.item else None,
            self.recall_of(line) is not None,
            _yes(item, zone) if item is not None else None,
        )


def _yes(item: RefillAnswerItem, zone: str) -> Yes:
    """An answer's item as the rules read it."""
    recorded_on = local_day(item.answer.recorded_at, zone)
    return Yes(item.answer.contacted_on, recorded_on, item.part_code, item.quantity)
