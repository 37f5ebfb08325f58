"""The overdue list in words: next steps, last contacts, and why a line is left out. Pages, files and paper
alike.
"""

from collections.abc import Callable
from datetime import date

from resupply.delivery.words import counted, day_words
from resupply.queries.overdue_known import LastContact, Way
from resupply.rules.next_steps import NextStep, Why

_TIMES = {1: "once", 2: "twice"}
_OUTCOMES = {
    "reached": "reached",
    "no_answer": "no answer",
    "left_word": "left a message",
    "wrong_number": "wrong number",
    "not_wanted": "does not want calls",
}
_WISHES = {"yes": "yes", "not_now": "not now", "stop": "stop asking"}
_CHANNELS = {"mail": "E-mail", "text": "Text message"}

_WHYS: dict[Why, Callable[[str, int], str]] = {
    Why.ANSWER_UNREAD: lambda day, _: f"answer of {day} needs a person",
    Why.YES_WAITS: lambda day, _: f"yes of {day} waits",
    Why.YES_COVERAGE: lambda day, _: f"said yes, coverage opens {day}",
    Why.YES_STOCK: lambda day, _: f"said yes, part expected {day}" if day else "said yes, part on back order",
    Why.NOT_NOW: lambda day, _: f"said not now, until {day}",
    Why.TOO_EARLY: lambda day, _: f"may be asked from {day}",
    Why.COVERAGE_OPENS: lambda day, _: f"coverage opens {day}",
    Why.SPOKE_LATELY: lambda day, _: f"answered lately, not before {day}",
    Why.MAIL_BOUNCED: lambda day, _: f"message of {day} could not be delivered",
    Why.WRONG_NUMBER: lambda day, _: f"wrong number on {day}",
    Why.ASKED_LATELY: lambda day, times: f"asked {times_words(times)}, time to answer until {day}",
    Why.CALL_PUT_OFF: lambda day, _: f"call again from {day}",
    Why.NO_ANSWER: lambda _, times: f"asked {times_words(times)}, no answer",
    Why.MAY_BE_ASKED: lambda _, __: "not asked yet",
    Why.NO_ADDRESS: lambda _, __: "no address for messages",
    Why.NO_YES: lambda _, __: "no yes to messages",
    Why.REFUSED: lambda _, __: "messages refused",
}
_VERBS = {
    "read": "read",
    "dispense": "dispense",
    "wait": "wait",
    "confirm": "confirm address",
    "call": "call",
    "ask": "ask by message",
    "visit": "ask at the next visit",
}
LEFT_OUT = {
    "not_overdue": "is not overdue any more",
    "elsewhere": "does not work at the patient’s location",
    "answer_unread": "an answer waits to be read",
    "said_yes": "said yes: dispense",
    "not_now": "said not now",
    "too_early": "may not be asked about yet",
    "spoke_lately": "gave an answer within a week",
    "no_address": "no address for messages: call",
    "no_mail": "no address with a yes to messages: call",
    "refused": "refused messages",
    "no_yes": "no yes to messages on record: call",
    "asked_lately": "was asked within five days",
    "not_bundled": "its delivery opens later: asked about then",
    "nothing_left": "nothing is to be asked any more",
    "written_today": "has a message of today already",
    "week_is_full": "has had as many messages this week as the terms allow",
}
"""Codes of `rules.asking`, of acts and of refusals -> why a line is left out."""


def times_words(times: int) -> str:
    """`once`, `twice`, `3 times`."""
    return _TIMES.get(times, f"{times} times")


def step_verb(step: NextStep) -> str:
    """What to do: `call`."""
    return "confirm number" if step.why is Why.WRONG_NUMBER else _VERBS[step.verb]


def step_why(step: NextStep, *, today: date) -> str:
    """Why: `asked twice, no answer`."""
    return _WHYS[step.why](day_words(step.on, today=today) if step.on else "", step.times)


def step_words(step: NextStep, *, today: date) -> str:
    """Both: `call: asked twice, no answer`."""
    return f"{step_verb(step)}: {step_why(step, today=today)}"


def last_words(last: LastContact | None) -> str:
    """How the last contact went, without its day: `E-mail`, `Call: no answer`, `Answer: yes`; empty: none."""
    if last is None:
        return ""
    if last.way is Way.MESSAGE:
        return _CHANNELS.get(last.what, "Message")
    if last.way is Way.ANSWER:
        return f"Answer: {_WISHES.get(last.what, last.what)}"
    return f"Call: {_OUTCOMES.get(last.what, last.what)}"


def left_out_words(code: str) -> str:
    """Why a line is left out."""
    return LEFT_OUT.get(code, "may not be written to now")


def lines_words(number: int) -> str:
    """`1 line`, `2,000 lines`."""
    return counted(number, "line")
