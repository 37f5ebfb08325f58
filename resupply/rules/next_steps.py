"""The next sensible step for an overdue line: what somebody should do about it, and why.

The rule in plain words. What the patient has said comes first: an answer that nobody has read is read; a
yes is dispensed (once coverage is open and the part is in stock); a "not now" is left alone until it has
run out. Then nobody is asked before the refill may be asked about. Then the way to the patient is mended:
an address mail bounced from, a number that was wrong. Then whoever was asked gets a week to answer
(`CALL_AFTER`), and is called after that, not before the day a call was put off to. Who was never asked is
asked by a message where there is a yes to messages, by telephone where there is none, and in person, at the
next visit, where both were refused or lead nowhere. Nobody is asked again within a week of an answer about
another part.

Edge cases: a yes that waits for coverage waits even where the part is in stock; a back order without a day is
"no day known"; a patient without consent on record is not one who refused, and may be called; only a no to
the telephone bars calls. What a step says is a suggestion to staff: it lifts no stop and moves no date.

Source: the order is ours, after common practice [CP]; the week is `rules.questions.CALL_AFTER` (ours); that
nothing is shipped without the patient's own yes to this refill is 42 CFR 410.38(d)(4) and the supplier
contractors' refill rules (facts about them stand in `rules.questions`).

>>> day = date(2026, 3, 18)
>>> known = Known(may_message=True)
>>> step = next_step(Line(date(2026, 2, 1), date(2026, 5, 3)), known, today=day)
>>> step.verb.value, step.why.value, step.on
('ask', 'may_be_asked', None)
>>> known = Known(mail_refused=True, asked=2, asked_on=date(2026, 3, 8))
>>> step = next_step(Line(ask_from=date(2026, 2, 1)), known, today=day)
>>> step.verb.value, step.why.value, step.times
('call', 'no_answer', 2)
"""

from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from resupply.rules.questions import CALL_AFTER


class Verb(StrEnum):
    """What to do."""

    READ = "read"
    DISPENSE = "dispense"
    WAIT = "wait"
    CONFIRM = "confirm"
    CALL = "call"
    ASK = "ask"
    VISIT = "visit"
    """Ask in person."""


class Why(StrEnum):
    """Why, as a code that pages put into words."""

    ANSWER_UNREAD = "answer_unread"
    YES_WAITS = "yes_waits"
    YES_COVERAGE = "yes_coverage"
    YES_STOCK = "yes_stock"
    NOT_NOW = "not_now"
    TOO_EARLY = "too_early"
    COVERAGE_OPENS = "coverage_opens"
    SPOKE_LATELY = "spoke_lately"
    MAIL_BOUNCED = "mail_bounced"
    WRONG_NUMBER = "wrong_number"
    ASKED_LATELY = "asked_lately"
    CALL_PUT_OFF = "call_put_off"
    NO_ANSWER = "no_answer"
    MAY_BE_ASKED = "may_be_asked"
    NO_ADDRESS = "no_address"
    NO_YES = "no_yes"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True)
class Line:
    """The dates of an overdue line."""

    ask_from: date
    covered_from: date | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What is on record about reaching the patient about this refill.

    `may_message`: an address or number with a yes to messages; `mail_refused`: the newest word on messages
    is a no; `has_mail`: an e-mail address or a number for texts is on record. `asked`: messages that went
    out about this refill, the last on `asked_on`. `failed_on`: the day the newest message could not be
    delivered. `call_on`: not to be called before. `tried`: calls since the refill may be asked about that
    reached nobody.
    """

    unread_on: date | None = None
    yes_on: date | None = None
    not_now_until: date | None = None
    back_order: bool = False
    expected_on: date | None = None
    spoke_on: date | None = None
    has_mail: bool = True
    may_message: bool = False
    mail_refused: bool = False
    failed_on: date | None = None
    has_phone: bool = True
    may_call: bool = True
    wrong_number_on: date | None = None
    asked: int = 0
    asked_on: date | None = None
    call_on: date | None = None
    tried: int = 0


@dataclass(frozen=True, slots=True)
class NextStep:
    """A verb and its reason; `on`: the day it is about (of a wait: until when); `times`: how often asked."""

    verb: Verb
    why: Why
    on: date | None = None
    times: int = 0


def next_step(line: Line, known: Known, *, today: date) -> NextStep:
    """What to do next about an overdue line."""
    return (
        _after_an_answer(line, known, today)
        or _not_yet(line, known, today)
        or _mend_the_way(known)
        or _after_asking(known, today)
        or _first_asking(known, today)
    )


def _after_an_answer(line: Line, known: Known, today: date) -> NextStep | None:
    if known.unread_on is not None:
        return NextStep(Verb.READ, Why.ANSWER_UNREAD, known.unread_on)
    if known.yes_on is not None:
        if line.covered_from is not None and line.covered_from > today:
            return NextStep(Verb.WAIT, Why.YES_COVERAGE, line.covered_from)
        if known.back_order:
            return NextStep(Verb.WAIT, Why.YES_STOCK, known.expected_on)
        return NextStep(Verb.DISPENSE, Why.YES_WAITS, known.yes_on)
    if known.not_now_until is not None and known.not_now_until > today:
        return NextStep(Verb.WAIT, Why.NOT_NOW, known.not_now_until)
    return None


def _not_yet(line: Line, known: Known, today: date) -> NextStep | None:
    if line.ask_from > today:
        if line.covered_from is not None and line.covered_from > today:
            return NextStep(Verb.WAIT, Why.COVERAGE_OPENS, line.covered_from)
        return NextStep(Verb.WAIT, Why.TOO_EARLY, line.ask_from)
    if known.spoke_on is not None and known.spoke_on + CALL_AFTER > today:
        return NextStep(Verb.WAIT, Why.SPOKE_LATELY, known.spoke_on + CALL_AFTER)
    return None


def _mend_the_way(known: Known) -> NextStep | None:
    if known.failed_on is not None and known.has_mail and not known.mail_refused:
        return NextStep(Verb.CONFIRM, Why.MAIL_BOUNCED, known.failed_on)
    if known.wrong_number_on is not None and not known.may_message:
        return NextStep(Verb.CONFIRM, Why.WRONG_NUMBER, known.wrong_number_on)
    return None


def _after_asking(known: Known, today: date) -> NextStep | None:
    times = known.asked + known.tried
    if not times:
        return None
    if known.asked_on is not None and known.asked_on + CALL_AFTER > today:
        return NextStep(Verb.WAIT, Why.ASKED_LATELY, known.asked_on + CALL_AFTER, times)
    if not _callable(known):
        return NextStep(Verb.VISIT, Why.NO_ANSWER, None, times)
    if known.call_on is not None and known.call_on > today:
        return NextStep(Verb.WAIT, Why.CALL_PUT_OFF, known.call_on, times)
    return NextStep(Verb.CALL, Why.NO_ANSWER, None, times)


def _first_asking(known: Known, today: date) -> NextStep:
    if known.may_message:
        return NextStep(Verb.ASK, Why.MAY_BE_ASKED)
    why = Why.REFUSED if known.mail_refused else Why.NO_YES if known.has_mail else Why.NO_ADDRESS
    if not _callable(known):
        return NextStep(Verb.VISIT, why)
    if known.call_on is not None and known.call_on > today:
        return NextStep(Verb.WAIT, Why.CALL_PUT_OFF, known.call_on)
    return NextStep(Verb.CALL, why)


def _callable(known: Known) -> bool:
    return known.has_phone and known.may_call and known.wrong_number_on is None
