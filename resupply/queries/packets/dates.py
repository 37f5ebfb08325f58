"""The dates of each line of a packet: as they stood before the dispense, with every step, and after it."""

from dataclasses import dataclass, replace

from resupply.models import DispenseLine, Given
from resupply.queries import facts
from resupply.queries.packets.gather import Records
from resupply.queries.packets.said import Json, plain
from resupply.rules.deliveries import AnswerKind, check_dispense
from resupply.rules.explain import Explanation, explain_lines
from resupply.rules.facts import PatientFacts, Policy
from resupply.rules.kinds import Kind
from resupply.rules.lines import LinePlan, plan_lines


@dataclass(frozen=True, slots=True)
class Known:
    """What the dates are worked out from: facts with and without the dispense, and the policy."""

    before: PatientFacts
    after: PatientFacts
    policy: Policy

    @classmethod
    def of(cls, found: Records) -> "Known":
        """Read both from change history. Three queries."""
        after = facts.patient_facts([found.dispense.patient_id], marks=found.marks)[found.dispense.patient_id]
        own = {facts.line_ref(line.pk) for line in found.lines}
        others = tuple(delivery for delivery in after.deliveries if delivery.ref not in own)
        return cls(replace(after, deliveries=others), after, facts.policy(marks=found.marks))


def dates_by_kind(found: Records, known: Known) -> dict[str, Json]:
    """Of each kind that was given: its line before the dispense (None: there was none) and after it."""
    before = explain_lines(known.before, known.policy, as_of=found.day)
    after = explain_lines(known.after, known.policy, as_of=found.day)
    kinds = sorted({line.kind for line in found.lines if not line.is_voided})
    return {
        kind: {"before": _explained(before.get(Kind(kind))), "after": _explained(after.get(Kind(kind)))}
        for kind in kinds
    }


def published_check(line: DispenseLine, found: Records, known: Known) -> Json:
    """What the published refill rule in force on the date of service says of a line, whoever pays."""
    plans: dict[Kind, LinePlan] = {
        plan.kind: plan for plan in plan_lines(known.before, known.policy, as_of=found.day)
    }
    plan = plans.get(Kind(line.kind))
    item = next((item for item in found.answer_items if item.pk == line.answer_item_id), None)
    answer = next((answer for answer in found.answers if item and answer.pk == item.answer_id), None)
    is_yes = item is not None and item.wanted and answer is not None
    verdict = check_dispense(
        dispensed_on=found.day,
        supply_ends_on=plan.supply_ends_on if plan else None,
        asked_on=answer.contacted_on if answer else None,
        answer=AnswerKind.YES if is_yes else AnswerKind.NONE,
        recorded_before=answer is not None and answer.recorded_at <= line.recorded_at,
        shipped=found.dispense.given == Given.SHIPPED,
    )
    return {
        "version": verdict.version,
        "source": verdict.source,
        "holds": verdict.allowed,
        "stops": [
            {"reason": stop.reason.value, "from": plain(stop.yes_from), "binding": stop.binding}
            for stop in verdict.stops
        ],
    }


def _explained(explanation: Explanation | None) -> Json | None:
    """An explanation with its steps, each from facts or from earlier steps; None: no such line."""
    if explanation is None:
        return None
    steps = {step.id: step for step in explanation.steps}
    return {
        "values": {name: plain(steps[step].result) for name, step in explanation.values.items()},
        "leads": dict(explanation.values),
        "steps": [
            {
                "id": step.id,
                "op": step.op,
                "args": plain(step.args),
                "result": plain(step.result),
                "why": step.why,
                "source": step.source,
            }
            for step in explanation.steps
        ],
    }
