"""What stands against a part, said to the person at the keyboard: why, and what to do instead."""

from collections.abc import Mapping
from datetime import date

from resupply.queries.recalls import RecallFacts
from resupply.rules.kinds import Kind
from resupply.rules.magnets import Reason, verdict
from resupply.rules.stops import Stop, StopCode
from resupply.services.dispensing.known import Known
from resupply.services.dispensing.lines import NewLine
from resupply.services.errors import Refused
from resupply.services.records import said

DENY = "the payer may deny it, and the patient may be owed notice of that"
NO_REASON = "No reason lifts this."

FIELDS: Mapping[StopCode, str] = {
    StopCode.MAGNETS: "part",
    StopCode.RECALLED: "lot",
    StopCode.EXPIRED: "expires_on",
    StopCode.NO_YES: "part",
    StopCode.RECORDED_LATE: "part",
}
"""The input at fault; of what a reason lifts it is the reason."""


_MAGNETS: Mapping[Reason, str] = {
    Reason.YES: "must not go to this patient. Give one without magnets, or ask a therapist.",
    Reason.NOT_ASKED: "this patient has not been asked about implants. Ask now, or give one without magnets.",
    Reason.OLD: "this patient's answers about implants are too old. Ask again, or give one without magnets.",
    Reason.NOT_KNOWN: "this patient's answers about implants leave something open. Ask again, or give one "
    "without magnets.",
}


class Stopped(Refused):
    """Rows that may not go out: `rows` holds one refusal each, the first of them being this one."""

    def __init__(self, rows: list[Refused]) -> None:
        first = rows[0]
        super().__init__(first.code, first.message, first.field, row=first.row)
        self.rows = rows


def refusal(stop: Stop, line: NewLine, known: Known, *, on: date, row: int) -> Refused:
    """A stop as the refusal of a row."""
    field = FIELDS.get(stop.code, "exception_reason")
    return Refused(stop.code.value, words(stop, line, known, on=on), field, row=row)


def words(stop: Stop, line: NewLine, known: Known, *, on: date) -> str:
    """A stop in a sentence or two, with what to do about it."""
    match stop.code:
        case StopCode.MAGNETS:
            return _magnets(known, on)
        case StopCode.RECALLED:
            return _recall(known.recall_of(line), line)
        case StopCode.EXPIRED:
            day = f" on {said(line.expires_on)}" if line.expires_on else ""
            return f"This part expired{day}. Take another. {NO_REASON}"
        case StopCode.NO_YES:
            return _no_yes(stop)
        case StopCode.RECORDED_LATE:
            return (
                "The patient's yes was put on record after that ship date, and a later note does not count. "
                f"Correct the ship date if it is wrong. {NO_REASON}"
            )
        case StopCode.WRONG_FAMILY:
            return _family(line, known.family_on(on))
        case StopCode.TOO_EARLY:
            first = f" from {said(stop.yes_from)} on" if stop.yes_from else " later"
            return f"This part may be dispensed{first}. To give it earlier, type the reason: {DENY}."
        case StopCode.TOO_MANY:
            return _many(stop)
        case StopCode.ASKED_TOO_EARLY:
            first = f" before {said(stop.yes_from)}" if stop.yes_from else " so early"
            return (
                f"The patient was not to be asked about this refill{first}. Ask again from then on, or type "
                f"the reason: {DENY}."
            )


def _recall(recall: RecallFacts | None, line: NewLine) -> str:
    named = f": {recall.title}" if recall else ""
    if recall and recall.lot and not line.lot.strip():
        return f"Some lots of this part are recalled{named}. Type the lot from its pack. {NO_REASON}"
    return f"A recall names this part{named}. Set it aside and take another. {NO_REASON}"


def _magnets(known: Known, on: date) -> str:
    """Without the health detail behind it."""
    reason = verdict(known.screen, as_of=on).reason
    what = _MAGNETS.get(reason or Reason.YES, _MAGNETS[Reason.YES])
    return f"This part holds magnets, or may, and {what} {NO_REASON}"


def _no_yes(stop: Stop) -> str:
    if stop.most is not None:
        return (
            f"The patient said yes to {stop.most} of these. Ship no more, or ask again and record the "
            f"answer. {NO_REASON}"
        )
    return (
        "Nothing is shipped without the patient's own yes to this part, on record before it goes. Ask, and "
        f"record the answer first. {NO_REASON}"
    )


def _family(line: NewLine, worn: str) -> str:
    if line.kind is Kind.MASK:
        return (
            f"This mask is {line.mask_family}; the patient wears {worn}. If it is a refit, log the refit "
            "first. To give it all the same, type the reason."
        )
    return (
        f"This part belongs to {line.mask_family}; the patient wears {worn}. Take the one for {worn}, or log "
        "the refit first. To give it all the same, type the reason."
    )


def _many(stop: Stop) -> str:
    number = f"At most {stop.most} of these" if stop.most else "None of these"
    when = f" (as many as typed from {said(stop.yes_from)} on)" if stop.yes_from else ""
    return f"{number} may be dispensed on that day{when}. To give more, type the reason: {DENY}."
