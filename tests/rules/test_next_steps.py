"""The next step for an overdue line, and what stands against asking: tables whose last column is a sentence.

The order of steps is common practice, ours in its numbers; that a yes is the patient's own and to this refill
is 42 CFR 410.38(d)(4) (named in `rules.questions`).
"""

from datetime import date
from itertools import product

import pytest

from resupply.rules.asking import Bar, bar
from resupply.rules.next_steps import Known, Line, NextStep, Verb, Why, next_step

TODAY = date(2026, 3, 18)
ASKABLE = Line(date(2026, 2, 1))
D = date


def mar(day: int) -> date:
    return date(2026, 3, day)


TABLE = [
    (ASKABLE, Known(may_message=True), "ask", "may_be_asked", None, "never asked, a yes to messages: ask"),
    (ASKABLE, Known(), "call", "no_yes", None, "an address without a yes on record: call"),
    (ASKABLE, Known(has_mail=False), "call", "no_address", None, "no address: call"),
    (ASKABLE, Known(mail_refused=True), "call", "refused", None, "messages refused, calls not: call"),
    (
        ASKABLE,
        Known(mail_refused=True, may_call=False),
        "visit",
        "refused",
        None,
        "both refused: ask when the patient comes in",
    ),
    (ASKABLE, Known(has_phone=False), "visit", "no_yes", None, "no number: ask when the patient comes in"),
    (ASKABLE, Known(call_on=mar(20)), "wait", "call_put_off", mar(20), "a call was put off to a day"),
    (ASKABLE, Known(call_on=mar(18)), "call", "no_yes", None, "that day has come"),
    (
        ASKABLE,
        Known(may_message=True, asked=1, asked_on=mar(12)),
        "wait",
        "asked_lately",
        mar(19),
        "asked six days ago: a week to answer",
    ),
    (
        ASKABLE,
        Known(may_message=True, asked=2, asked_on=mar(11)),
        "call",
        "no_answer",
        None,
        "asked twice, the last a week ago: call",
    ),
    (
        ASKABLE,
        Known(may_message=True, asked=2, asked_on=mar(11), may_call=False),
        "visit",
        "no_answer",
        None,
        "the same, but calls were refused",
    ),
    (
        ASKABLE,
        Known(may_message=True, asked=1, asked_on=mar(2), tried=1, call_on=mar(19)),
        "wait",
        "call_put_off",
        mar(19),
        "called yesterday without an answer: not again today",
    ),
    (ASKABLE, Known(tried=1), "call", "no_answer", None, "only called, nobody answered: call again"),
    (
        ASKABLE,
        Known(may_message=True, asked=1, asked_on=mar(2), failed_on=mar(2)),
        "confirm",
        "mail_bounced",
        mar(2),
        "the message bounced: confirm the address",
    ),
    (
        ASKABLE,
        Known(mail_refused=True, failed_on=mar(2)),
        "call",
        "refused",
        None,
        "it bounced, but no message is wanted any more",
    ),
    (
        ASKABLE,
        Known(wrong_number_on=mar(9)),
        "confirm",
        "wrong_number",
        mar(9),
        "a wrong number is put right",
    ),
    (
        ASKABLE,
        Known(may_message=True, wrong_number_on=mar(9)),
        "ask",
        "may_be_asked",
        None,
        "a wrong number does not matter where a message may ask",
    ),
    (ASKABLE, Known(yes_on=mar(10)), "dispense", "yes_waits", mar(10), "a yes waits: dispense"),
    (
        Line(D(2026, 2, 1), D(2026, 5, 3)),
        Known(yes_on=mar(10)),
        "wait",
        "yes_coverage",
        D(2026, 5, 3),
        "a yes waits for coverage",
    ),
    (
        ASKABLE,
        Known(yes_on=mar(10), back_order=True, expected_on=mar(25)),
        "wait",
        "yes_stock",
        mar(25),
        "a yes waits for the part",
    ),
    (
        ASKABLE,
        Known(yes_on=mar(10), back_order=True),
        "wait",
        "yes_stock",
        None,
        "the part is on back order, no day known",
    ),
    (
        ASKABLE,
        Known(unread_on=mar(9), yes_on=mar(10)),
        "read",
        "answer_unread",
        mar(9),
        "an answer is read before it is acted on",
    ),
    (ASKABLE, Known(not_now_until=D(2026, 4, 2)), "wait", "not_now", D(2026, 4, 2), "said not now"),
    (
        ASKABLE,
        Known(not_now_until=mar(18), may_message=True),
        "ask",
        "may_be_asked",
        None,
        "a not now that has run out is none",
    ),
    (
        Line(D(2026, 4, 3), D(2026, 5, 3)),
        Known(may_message=True),
        "wait",
        "coverage_opens",
        D(2026, 5, 3),
        "coverage opens later, so asking does too",
    ),
    (
        Line(D(2026, 4, 3)),
        Known(may_message=True),
        "wait",
        "too_early",
        D(2026, 4, 3),
        "just dispensed, not to be asked about yet",
    ),
    (
        Line(D(2026, 2, 1), D(2026, 4, 1)),
        Known(may_message=True),
        "ask",
        "may_be_asked",
        None,
        "coverage opens soon: may be asked already",
    ),
    (
        ASKABLE,
        Known(may_message=True, spoke_on=mar(15)),
        "wait",
        "spoke_lately",
        mar(22),
        "answered about another part three days ago",
    ),
]


@pytest.mark.parametrize(
    ("line", "known", "verb", "why", "on", "sentence"), TABLE, ids=[row[-1] for row in TABLE]
)
def test_the_next_step(line: Line, known: Known, verb: str, why: str, on: date | None, sentence: str) -> None:
    step = next_step(line, known, today=TODAY)
    assert (step.verb, step.why, step.on) == (verb, why, on), sentence


BARS = [
    (ASKABLE, Known(may_message=True), None, "nothing stands against it"),
    (ASKABLE, Known(may_message=True, unread_on=mar(9)), "answer_unread", "an answer waits"),
    (ASKABLE, Known(may_message=True, yes_on=mar(9)), "said_yes", "a yes is dispensed"),
    (ASKABLE, Known(may_message=True, not_now_until=mar(19)), "not_now", "said not now"),
    (ASKABLE, Known(may_message=True, not_now_until=mar(18)), None, "the not now has run out"),
    (Line(mar(19)), Known(may_message=True), "too_early", "not before the refill may be asked about"),
    (Line(mar(18)), Known(may_message=True), None, "from that day on"),
    (ASKABLE, Known(may_message=True, spoke_on=mar(12)), "spoke_lately", "within a week of an answer"),
    (ASKABLE, Known(may_message=True, spoke_on=mar(11)), None, "a week after it"),
    (ASKABLE, Known(has_mail=False), "no_address", "no address"),
    (ASKABLE, Known(mail_refused=True), "refused", "messages refused"),
    (ASKABLE, Known(), "no_yes", "no yes on record"),
    (
        ASKABLE,
        Known(may_message=True, asked_on=mar(14), asked=1),
        "asked_lately",
        "four days after a message",
    ),
    (ASKABLE, Known(may_message=True, asked_on=mar(13), asked=1), None, "five days after it"),
]


@pytest.mark.parametrize(("line", "known", "code", "sentence"), BARS, ids=[row[-1] for row in BARS])
def test_what_stands_against_asking(line: Line, known: Known, code: str | None, sentence: str) -> None:
    found = bar(line, known, today=TODAY)
    assert (found.value if found else None) == code, sentence


def test_a_step_never_asks_where_asking_is_barred() -> None:
    """The two rules agree: "ask by message" is said only where a message may go."""
    days = (None, mar(10), mar(16), mar(20))
    for spoke, asked_on, no, yes in product(days[:3], days[:3], days, days[:2]):
        for may, mail, refused, early in product((True, False), repeat=4):
            known = Known(
                spoke_on=spoke, asked_on=asked_on, asked=int(asked_on is not None), not_now_until=no,
                yes_on=yes,
                may_message=may and mail, has_mail=mail, mail_refused=refused and not may,
            )  # fmt: skip
            line = Line(mar(25)) if early else ASKABLE
            step = next_step(line, known, today=TODAY)
            if step.verb is Verb.ASK:
                assert bar(line, known, today=TODAY) is None
            if step.verb is Verb.WAIT:
                assert step.on is None or step.on > TODAY
            assert isinstance(step, NextStep)


def test_every_reason_and_bar_is_in_the_tables() -> None:
    assert {row[3] for row in TABLE} == {why.value for why in Why}
    assert {row[2] for row in BARS} - {None} == {code.value for code in Bar}
