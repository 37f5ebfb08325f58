"""What a change of the rules that move no plan does to one patient: matching table, follow-up plan, messages.

The rule in plain words. *Matching*: a patient's last answers are judged by both tables. What happens is the
first that holds: the patient is referred, or no more; a style is not offered any more; another style comes
first; the styles come in another order; one of them stands otherwise (suits, or is only possible). Who has
chosen a mask keeps it: the table is asked again at the next fitting. *Follow-ups*: the visits of a patient
are the steps that are not done and fall, in whole or in part, into the days looked at, or were to be made by
then and are late; what differs in any day of them moves. *Messages*: the messages of `message_days` differ in
a day or in what they are about.

Edge cases: a style that only one of the tables has counts as not offered by the other. Source: ours.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from resupply.rules.effects import HORIZON, Change
from resupply.rules.follow_ups import DueStep, FollowUpState, FollowUpStep, due_steps, state
from resupply.rules.matching import Match, Standing

OFFERED = frozenset({Standing.SUITS, Standing.POSSIBLE})
REFERRED = "referred"


def match_words(found: Match) -> list[str]:
    """A match as codes, the style to be tried first in front: `nasal:suits`; a referral: `referred` alone."""
    if found.refer:
        return [REFERRED]
    return [f"{one.style}:{one.standing.value}" for one in found.styles]


def match_change(before: Match, after: Match) -> Change | None:
    """What another table makes of the same answers; None: nothing."""
    if bool(before.refer) != bool(after.refer):
        return Change.REFERRED if after.refer else Change.NOT_REFERRED
    if before.refer:
        return None
    if _offered(before) - _offered(after):
        return Change.EXCLUDED
    if before.order[:1] != after.order[:1]:
        return Change.OTHER_FIRST
    if before.order != after.order:
        return Change.OTHER_ORDER
    return None if match_words(before) == match_words(after) else Change.STANDING


def _offered(found: Match) -> set[str]:
    return {one.style for one in found.styles if one.standing in OFFERED}


@dataclass(frozen=True, slots=True)
class Visit:
    """A step of the follow-up plan that is to be made, and whether it is late on the day looked from."""

    due: DueStep
    is_late: bool

    @property
    def words(self) -> str:
        """As a code: `first_week:2026-03-04:2026-03-08`."""
        return f"{self.due.step}:{self.due.first}:{self.due.last}"


def visits(
    anchor: date, plan: Sequence[FollowUpStep], reached: Iterable[date], *, as_of: date, forgotten: timedelta
) -> list[Visit]:
    """The visits of the `HORIZON` days from a day on, and the late ones whose last day is no longer past than
    `forgotten`.

    >>> plan = [FollowUpStep("week", "First week", 3, 7)]
    >>> day, forgotten = date(2026, 3, 2), timedelta(60)
    >>> [one.words for one in visits(date(2026, 3, 1), plan, [], as_of=day, forgotten=forgotten)]
    ['week:2026-03-04:2026-03-08']
    """
    reached, end = tuple(reached), as_of + timedelta(days=HORIZON)
    found = []
    for step in due_steps(anchor, plan):
        now = state(step, reached, as_of=as_of)
        is_late = now is FollowUpState.LATE
        if (
            now is not FollowUpState.DONE
            and step.first < end
            and (not is_late or step.last + forgotten >= as_of)
        ):
            found.append(Visit(step, is_late))
    return found
