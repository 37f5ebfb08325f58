"""Recall notices: when everyone who was given a recalled part counts as reached.

The rule in plain words. Each patient who was given what a recall names has one state, the first that holds:
the part was *replaced*, *returned*, or the patient was *reached* and knows of the notice; or was *written
off* with a reason (died, moved away, tried often enough by the clinic's own measure). These four settle a
patient. Otherwise a contact was *tried*; or a message was *written* and nobody has answered; or one is
*queued*; else nothing was done yet (*open*). A message that went out settles nothing: only an answer tells
that it was read. Who is not settled is to be called, but while a message is on its way, and for `CALL_AFTER`
days after one went out, whether or not somebody tried meanwhile. A notice is closed only when everybody is
settled.

Edge cases: a contact that is voided counts as none. A patient whose message could not be sent, or who cannot
be written to, is to be called at once.

Source: ours. Regulators ask that the depth of a recall and the checks that everybody was reached be set for
each recall (21 CFR 7.42 and 7.49, from memory); the number of days is common practice.

>>> state_of({"no_answer", "returned"}, written_days_ago=9, is_queued=False).value
'returned'
>>> to_call(Reach.WRITTEN, written_days_ago=1, is_queued=False)
False
>>> to_call(Reach.WRITTEN, written_days_ago=3, is_queued=False)
True
>>> to_call(Reach.TRIED, written_days_ago=None, is_queued=True)
False
"""

from collections.abc import Set
from enum import StrEnum

PURPOSE = "recall"
"""Purpose of the messages of a notice. A safety notice is exempt from one message a day, not from consent and
not from sending hours."""
CALL_AFTER = 3
"""Days that a message is given to be answered before somebody calls."""


class Reach(StrEnum):
    """How far reaching a patient has come, the first that holds in this order."""

    REPLACED = "replaced"
    RETURNED = "returned"
    REACHED = "reached"
    WRITTEN_OFF = "written_off"
    TRIED = "tried"
    WRITTEN = "written"
    QUEUED = "queued"
    OPEN = "open"


SETTLED = frozenset({Reach.REPLACED, Reach.RETURNED, Reach.REACHED, Reach.WRITTEN_OFF})


def state_of(outcomes: Set[str], *, written_days_ago: int | None, is_queued: bool) -> Reach:
    """The state that standing outcomes and messages lead to. `written_days_ago` None: nothing went out."""
    for state in (Reach.REPLACED, Reach.RETURNED, Reach.REACHED, Reach.WRITTEN_OFF):
        if state in outcomes:
            return state
    if outcomes:
        return Reach.TRIED
    if written_days_ago is not None:
        return Reach.WRITTEN
    return Reach.QUEUED if is_queued else Reach.OPEN


def to_call(state: Reach, *, written_days_ago: int | None, is_queued: bool) -> bool:
    """Whether somebody has to call: not settled, and no message is on its way or waits for an answer."""
    if state in SETTLED or is_queued:
        return False
    return written_days_ago is None or written_days_ago >= CALL_AFTER
