"""Explanations in words: each step of `rules/steps.py` as a sentence, its value, and where it comes from.

Reason codes come from the rules; a code without words here is a bug that a test finds. `{0}`, `{1}` … are the
arguments of the step as words, `{days}` a number of days without its sign.
"""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import date
from typing import NamedTuple

from resupply.delivery.words import counted, day_words, limit_words, state_word
from resupply.rules.steps import Explanation, Step


class Said(NamedTuple):
    """A step in words: the sentence, what it comes to, where it stands."""

    text: str
    value: str
    source: str


VALUE_LABELS = {
    "in_use_since": "In use since",
    "worn_on": "Worn on",
    "spares": "Spares",
    "supply_ends_on": "Supply ends",
    "covered_from": "Coverage opens",
    "refill_on": "Refill",
    "ask_from": "Ask from",
    "deliver_from": "May be dispensed from",
    "quantity_limit": "At most today",
    "quantity_suggested": "Suggested today",
    "state": "State",
    "days_overdue": "Days overdue",
}
"""What a line says, in the order in which it follows."""

WHY = {
    # wear
    "ready_from": "A unit given, ready for use from",
    "start_free": "No unit was in use, so the one given started as soon as it was ready",
    "start_assumed": "Nobody reported a swap, so the spare counts as started once the unit before was worn",
    "start_awaited": "The unit before was worn already, so the next one started as soon as it was ready",
    "start_reported": "The patient reported the swap",
    "start_corrected": "The swap was reported some days after it was assumed, which corrects the day",
    "start_contained": "It came with a mask and started on that mask's first day",
    "first_in_line_ended": "A refit ended the spare that was first in line",
    "life": "Started {0} with a life of {1} {2}, until",
    "paused": "Moved on by the {1} paused days",
    "pause_from": "Therapy paused from",
    "pause_until": "Therapy again from",
    "pause_counts_from": "Of that pause the days count from",
    "pause_days": "Paused days while this unit was in use",
    "paused_days": "Paused days in all",
    "life_from": "Another life is in force from",
    "life_shortened": "That shorter life ends the unit, but not before it is in force",
    "worn": "So it is worn on",
    "no_unit_in_use": "No unit is in use",
    "units_given": "Units given",
    "units_given_in_all": "Given in all",
    "units_started": "Of these have started",
    "spares_ended_by_refit": "Spares ended by a refit",
    "not_started": "Given and not started",
    "spares": "Spares left",
    "left_lost": "The last unit was lost or broken",
    "left_refitted": "A refit ended the unit",
    "left_replaced": "The unit was replaced",
    "nothing_left": "Nothing is left since",
    "latest_delivery": "Latest dispense of this part",
    "latest_arrival": "Latest day on which one arrived",
    # coverage
    "patient_pays": "The patient pays, so no payer's allowance applies",
    "no_published_limit": "No published limit: the payer has no allowance for this code on file",
    "nothing_billed": "Nothing was billed to this payer under this code yet",
    "billed_unit": "A unit billed, given on",
    "covered_start": "It uses coverage from",
    "allowance_period": "Its coverage from {0} counts for {1} {2}, until",
    "coverage_opens": "Coverage opens for another unit",
    # deliveries
    "part_opens": "May go out from",
    "part_closes": "Its window ends",
    "part_from": "The later of its first day and the first day anything can go out",
    "first_open": "The first open day from {0}",
    "last_open": "The last open day up to {0}",
    "late": "No open day is left in its window, so it comes late, on",
    "answer_days": "Days a patient is given to answer",
    "answer_by": "{0} and {days} more",
    "delivery": "The earliest of the last days: what may go out by then goes along",
    # refill
    "as_of": "Today",
    "refill": "The later of the end of supply and the opening of coverage",
    "contact_lead": "Days before the refill on which the patient may first be asked",
    "ask_lead": "{0} less {days}",
    "gap_days": "Days without a question after a part arrives",
    "ask_gap": "{0} and {days} more",
    "ask": "The later of the two",
    "delivery_lead": "Days before the refill on which parts may first be dispensed",
    "deliver": "{0} less {days}",
    "too_early": "None before {1}",
    "allowance_units": "Units allowed in a period",
    "allowance_at_once": "Periods' worth allowed at once",
    "at_once": "So many units allowed at once",
    "horizon": "Today and {days}",
    "counts_until": "Units given {0} count against that number until",
    "still_counting": "Units that still count on that day",
    "room": "Room left",
    "window_opens": "The later of today and the opening of coverage",
    "window_ends": "The periods allowed at once, from then on, end",
    "would_be_covered": "One more unit would use coverage from",
    "fits": "Units that would be covered before that end",
    "never_below_zero": "Never fewer than",
    "limit_least": "The smaller of room and covered units",
    "limit": "The limit",
    "limit_today": "May be dispensed today, at most",
    "target": "The clinic aims at supply for {1} {2} from the refill, until",
    "target_units": "Units with a life of {1} {2} that reach that day",
    "suggested": "The smaller of that and the limit, if there is one",
    "state": "The first state that holds",
    "not_overdue": "The supply has not ended",
    "overdue": "Days since the supply ended",
}
"""Reason code -> the sentence of its step; the step's result stands after it."""

_UNSAID = {"as_of", "never_below_zero", "worn"}
"""Steps that a program needs and a person does not: they repeat the one before, or say nothing new."""


_STARTS = {"start_free", "start_assumed"}


class Wording:
    """Words the steps of one line. `sources` names records by their references; dates carry their year where
    it is not `today`'s, or always where that is None.
    """

    def __init__(self, explanation: Explanation, sources: Mapping[str, str], *, today: date | None) -> None:
        self.explanation, self.sources, self.today = explanation, sources, today
        self.steps = {step.id: step for step in explanation.steps}

    def of(self, value: str) -> list[Said]:
        """The steps that one date or quantity rests on. Raises KeyError for an unknown one."""
        return self._sentences(self.explanation.leading_to(value))

    def all(self) -> list[tuple[str, str, list[Said]]]:
        """Label, value and steps of everything a line says; a step is shown where it is first needed."""
        shown: set[str] = set()
        groups = []
        for value, label in VALUE_LABELS.items():
            steps = [step for step in self.explanation.leading_to(value) if step.id not in shown]
            shown |= {step.id for step in steps}
            groups.append((label, self.result(value), self._sentences(steps)))
        return groups

    def result(self, value: str) -> str:
        """A date or quantity as words."""
        result = self.steps[self.explanation.values[value]].result
        if value == "quantity_limit":
            return limit_words(result) if result is None or isinstance(result, int) else str(result)
        return self._words(result, is_state=value == "state")

    def _sentences(self, steps: Iterable[Step]) -> list[Said]:
        """The steps in words. That a unit was ready goes without saying where its start is told."""
        told = {arg for step in self.explanation.steps if step.why in _STARTS for arg in step.args}
        return [
            self._start(step) if step.why in _STARTS else self._worded(step)
            for step in steps
            if step.why not in _UNSAID and not (step.why == "ready_from" and f"@{step.id}" in told)
        ]

    def _start(self, step: Step) -> Said:
        """A start that followed from a unit's being ready: told with the dispense it came from."""
        ready = next(self.steps[str(arg)[1:]] for arg in step.args if self._why(arg) == "ready_from")
        worn = [self._resolved(arg) for arg in step.args if self._why(arg) == "worn"]
        awaited = step.why == "start_assumed" and ready.result == step.result and worn != [step.result]
        return self._worded(replace(step, why="start_awaited" if awaited else step.why, source=ready.source))

    def _why(self, arg: int | str | None) -> str:
        return self.steps[arg[1:]].why if isinstance(arg, str) and arg.startswith("@") else ""

    def _worded(self, step: Step) -> Said:
        args = [self._argument(arg) for arg in step.args]
        number = next((arg for arg in map(self._resolved, step.args) if isinstance(arg, int)), 0)
        if step.op == "add_period":
            args[2] = str(step.args[2]) + ("" if step.args[1] == 1 else "s")
        text = WHY[step.why].format(*args, days=counted(abs(number), "day"))
        result = step.result
        if step.why in {"contact_lead", "delivery_lead"} and isinstance(result, int):
            result = abs(result)  # counted back, so the rules hold it negative
        value = "" if step.op == "none" else self._words(result, is_state=step.why == "state")
        return Said(text, value, self._source(step.source))

    def _source(self, reference: str) -> str:
        """The name of the record behind a step; of a rule, its own words."""
        return self.sources.get(reference, reference)

    def _argument(self, arg: int | str | None) -> str:
        return self._words(self._resolved(arg))

    def _resolved(self, arg: int | str | None) -> int | str | None:
        return self.steps[arg[1:]].result if isinstance(arg, str) and arg.startswith("@") else arg

    def _words(self, value: int | str | None, *, is_state: bool = False) -> str:
        if value is None:
            return "none"
        if is_state:
            return state_word(str(value))
        try:
            return day_words(date.fromisoformat(str(value)), today=self.today)
        except ValueError:
            return str(value)
