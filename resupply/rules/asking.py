"""Whether a line's patient may be asked once more by a message right now, at a person's wish.

The rule in plain words. Nobody is asked who has said something that counts (an answer not read yet, a yes,
a "not now"), before the refill may be asked about, within a week of an answer about another part, without a
yes to messages and an address to send them to, or within five days of the last message about this refill. A
person may see a bar and ring the patient all the same, unless the telephone was refused too; a message is
not sent.

Sources: as `rules.questions`; the days are `SECOND_AFTER` and `CALL_AFTER` (ours).

>>> known = Known(may_message=True, asked=1, asked_on=date(2026, 3, 16))
>>> bar(Line(ask_from=date(2026, 2, 1)), known, today=date(2026, 3, 18)).value
'asked_lately'
>>> bar(Line(ask_from=date(2026, 2, 1)), known, today=date(2026, 3, 21)) is None
True
"""

from datetime import date
from enum import StrEnum

from resupply.rules.next_steps import Known, Line
from resupply.rules.questions import CALL_AFTER, SECOND_AFTER


class Bar(StrEnum):
    """Why no message asks now."""

    ANSWER_UNREAD = "answer_unread"
    SAID_YES = "said_yes"
    NOT_NOW = "not_now"
    TOO_EARLY = "too_early"
    SPOKE_LATELY = "spoke_lately"
    NO_ADDRESS = "no_address"
    REFUSED = "refused"
    NO_YES = "no_yes"
    ASKED_LATELY = "asked_lately"


def bar(line: Line, known: Known, *, today: date) -> Bar | None:
    """What stands against asking on `today`; None: nothing does."""
    if known.unread_on is not None:
        return Bar.ANSWER_UNREAD
    if known.yes_on is not None:
        return Bar.SAID_YES
    if known.not_now_until is not None and known.not_now_until > today:
        return Bar.NOT_NOW
    if line.ask_from > today:
        return Bar.TOO_EARLY
    if known.spoke_on is not None and known.spoke_on + CALL_AFTER > today:
        return Bar.SPOKE_LATELY
    if not known.may_message:
        if not known.has_mail:
            return Bar.NO_ADDRESS
        return Bar.REFUSED if known.mail_refused else Bar.NO_YES
    if known.asked_on is not None and known.asked_on + SECOND_AFTER > today:
        return Bar.ASKED_LATELY
    return None
