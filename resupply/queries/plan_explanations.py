"""The plan as a table with the steps of every date and quantity, as of any day; built only when asked for."""

from collections.abc import Iterator
from datetime import date, datetime

from resupply.queries.plan_table import COLUMNS, patient_plans, row_of
from resupply.rules.explain import Explanation, explain_lines


def explained_rows(*, as_of: date, known_at: datetime | None = None) -> Iterator[dict[str, object]]:
    """The rows of `plan_table.plan_rows` by column, each with its `explanation`.

    `explanation.steps` lead to every date and quantity of the row, each from facts or from earlier steps;
    `explanation.values` names the step whose result a column shows.
    """
    for patient in patient_plans(as_of=as_of, known_at=known_at):
        explanations = explain_lines(patient.facts, patient.policy, as_of=as_of)
        for line in sorted(patient.lines, key=lambda line: line.kind.value):
            row = dict(zip(COLUMNS, row_of(patient.reference, line, as_of=as_of), strict=True))
            yield {**row, "explanation": _shown(explanations[line.kind])}


def _shown(explanation: Explanation) -> dict[str, object]:
    """An explanation as JSON takes it."""
    return {
        "steps": [
            {
                "id": step.id,
                "op": step.op,
                "args": step.args,
                "result": step.result,
                "why": step.why,
                "source": step.source,
            }
            for step in explanation.steps
        ],
        "values": dict(explanation.values),
    }
