"""Explanations worded for staff, with the records behind them named as a person knows them."""

from collections.abc import Mapping
from datetime import date

from resupply.delivery import why_words
from resupply.delivery.why_words import VALUE_LABELS
from resupply.rules.facts import PatientFacts
from resupply.rules.steps import Explanation
from resupply.web.wording import day_words

__all__ = ["VALUE_LABELS", "Wording"]


class Wording(why_words.Wording):
    """Words the steps of one line; dates carry their year where it is not today's."""

    def __init__(self, explanation: Explanation, facts: PatientFacts, *, today: date) -> None:
        super().__init__(explanation, _sources(facts, today), today=today)

    def _source(self, reference: str) -> str:
        """On a page the day of a rule (`… from 2020-01-01`) as people say it; papers keep its words."""
        words, _, day = super()._source(reference).rpartition(" from ")
        return f"{words} from {self._words(day)}" if words else day


def _sources(facts: PatientFacts, today: date) -> Mapping[str, str]:
    """The name of the record behind a fact, in words: the reference of a row means nothing to a person."""
    words = {d.ref: f"dispense of {day_words(d.on, today=today)}" for d in facts.deliveries}
    words |= {s.ref: f"swap reported for {day_words(s.on, today=today)}" for s in facts.swaps}
    words |= {e.ref: f"loss of {day_words(e.on, today=today)}" for e in facts.losses}
    words |= {r.ref: f"refit of {day_words(r.on, today=today)} to {r.family}" for r in facts.refits}
    return words | {p.ref: f"pause from {day_words(p.start, today=today)}" for p in facts.pauses}
