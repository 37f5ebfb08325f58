"""The steps behind the next delivery: each part's window, its open days, and the earliest of their ends."""

from collections.abc import Iterable
from datetime import date

from resupply.rules.bundling import OpenDays, Refill, reach
from resupply.rules.periods import add_days
from resupply.rules.steps import Explanation, Known, Notebook


def explain_delivery(
    refills: Iterable[Refill], open_days: OpenDays, *, answer_days: int, as_of: date
) -> Explanation:
    """The steps behind `bundling.first_delivery` of some refills, at least one; its day is `delivery`.

    `answer_days`: what a patient is given to answer. A fact about a part has the source `line <kind>`.
    """
    steps = _Steps(open_days, answer_days, as_of)
    lasts = [steps.last_day(refill) for refill in refills]
    day = min(steps.notes.day(last) for last in lasts)
    steps.notes.write("delivery", "earliest", lasts, day, "delivery")
    return Explanation(tuple(steps.notes.steps.values()), {"delivery": "delivery"})


class _Steps:
    """Writes the steps of each part."""

    def __init__(self, open_days: OpenDays, answer_days: int, as_of: date) -> None:
        self.notes, self.open_days, self.answer_days, self.as_of = Notebook(), open_days, answer_days, as_of
        self.weekdays = "".join(str(day) for day in sorted(open_days.weekdays))

    def last_day(self, refill: Refill) -> Known:
        """The last open day that meets a refill; where none is left in its window, the first after it."""
        notes, kind = self.notes, refill.kind
        met, source = reach(refill, self.open_days), f"line {kind}"
        opens = notes.fact(f"{kind}.opens", refill.opens_on, "part_opens", source)
        closes = notes.fact(f"{kind}.closes", refill.closes_on, "part_closes", source)
        begin = max(refill.opens_on, refill.not_before)
        days = (opens, self._not_before(refill))
        start = notes.write(f"{kind}.from", "latest", days, begin, "part_from")
        first = self._open(f"{kind}.first", "open_from", start, met.first, "first_open")
        if met.is_late:
            return notes.write(f"{kind}.late", "latest", (closes, first), met.first, "late")
        return self._open(f"{kind}.last", "open_until", closes, met.last, "last_open")

    def _not_before(self, refill: Refill) -> Known:
        """Today, the day an answer can be there, or the end of a pause."""
        notes, day = self.notes, refill.not_before
        today = notes.fact("as_of", self.as_of, "as_of", "")
        if day == self.as_of:
            return today
        if day == add_days(self.as_of, self.answer_days):
            wait = notes.fact("answer_days", self.answer_days, "answer_days", "")
            return notes.write("answer_by", "add_days", (today, wait), day, "answer_by")
        return notes.fact("pause_ends", day, "pause_until", "")

    def _open(self, name: str, op: str, day: Known, result: date, why: str) -> Known:
        """An open day found from another; of the closed days only those that were passed over are named."""
        between = sorted((self.notes.day(day), result))
        closed = [off for off in sorted(self.open_days.closed) if between[0] <= off <= between[1]]
        return self.notes.write(name, op, (day, self.weekdays, *closed), result, why)
