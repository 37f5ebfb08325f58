"""Drafts that move no plan in words and numbers."""

from collections.abc import Mapping
from datetime import date

from resupply.models import DraftAct, PolicyDraft, PolicyKind
from resupply.queries.standing_rules import terms_in
from resupply.rules.effects import HORIZON
from resupply.rules.message_days import LINK
from resupply.rules.reminders import DEFAULT_HOURS, Hours, are_shared
from resupply.web.wording import day_words

MOVED = {
    PolicyKind.MATCHING: "of {} patients with answers would be judged otherwise",
    PolicyKind.FOLLOW_UPS: "of {} patients with a visit have other visits",
    PolicyKind.MESSAGES: "of {} patients who may be written to have messages on other days, or others",
}
"""Of whom a preview says how many there are."""
NOTES = {
    PolicyKind.MATCHING: "The last answers of each patient on therapy, judged by both tables. Nobody’s mask "
    "changes: the table is asked again at the next fitting.",
    PolicyKind.FOLLOW_UPS: f"Visits that are to be made in the {HORIZON} days from then on, and those that "
    "are late, of patients on therapy. Steps already done stay done.",
    PolicyKind.MESSAGES: f"Messages about refills and about links that end, in the {HORIZON} days from then "
    "on, if nobody answers and nothing is given: the most that may go out, to those who said yes to it. "
    "Other hours move a message within its day.",
}
_STEPS = {
    "ask": "asks for the first time",
    "ask_again": "asks once more",
    "due": "says that the supply ends",
    "overdue_1": "overdue, first time",
    "overdue_2": "overdue, second time",
    LINK: "the link ends",
}
_COUNTED = {
    PolicyKind.MATCHING: {
        "patients": "Patients with answers",
        "referred": "Referred to the prescriber",
        "excluded": "With a style that is not offered",
    },
    PolicyKind.FOLLOW_UPS: {
        "patients": "Patients with a visit",
        "visits": f"Visits in the next {HORIZON} days",
        "late": "Late on that day",
    },
    PolicyKind.MESSAGES: {
        "patients": "Patients who may be written to",
        "messages": f"Messages in the next {HORIZON} days",
    }
    | {step: f"Step: {words}" for step, words in _STEPS.items()},
}


_IN_SHORT = ("referred", "excluded", "visits", "late", "messages")
"""What is counted for each location and payer too."""


def counted(
    kind: str, before: Mapping[str, int], after: Mapping[str, int], *, in_short: bool = False
) -> list[tuple[str, int, int, int]]:
    """Rows of a preview in numbers: words, before, after, difference. `in_short`: those for each place."""
    words = dict(_COUNTED[PolicyKind(kind)])
    if in_short:
        words = {name: word for name, word in words.items() if name in _IN_SHORT}
    for name in sorted({*before, *after}):
        if name.startswith("first:") and not in_short:
            words[name] = f"First to try: {_plain(name.removeprefix('first:'))}"
    return [
        (word, before.get(name, 0), after.get(name, 0), after.get(name, 0) - before.get(name, 0))
        for name, word in words.items()
    ]


def caution(draft: PolicyDraft) -> str:
    """What to know of a draft before it is applied, whatever its preview says; empty: nothing."""
    if draft.kind != PolicyKind.MESSAGES or draft.act == DraftAct.VOID:
        return ""
    return hours_caution(terms_in(draft.values, draft.effective_from).hours, day=draft.effective_from)


def hours_caution(hours: Hours, *, day: date) -> str:
    """Hours too short to hold in all zones at once, in words; empty where they are long enough."""
    if are_shared(hours, day=day):
        return ""
    shipped = f"{DEFAULT_HOURS.opens:%H:%M} to {DEFAULT_HOURS.closes:%H:%M}"
    return (
        f"{hours.opens:%H:%M} to {hours.closes:%H:%M} is too short to hold in all time zones of the US for "
        "an hour at once. Patients whose time zone is not known will be written to while the shipped hours "
        f"({shipped}) hold in all of them: give these patients a time zone, or leave seven hours or more."
    )


def code_words(kind: str, codes: list[str], other: list[str], *, today: date) -> list[str]:
    """What a row of a preview says of one side (`rules.other_effects`): styles in their order; of visits and
    messages those that the other side has not, and how many both have.
    """
    if kind == PolicyKind.MATCHING:
        return [", ".join(_words(kind, code, today) for code in codes)]
    own = [_words(kind, code, today) for code in codes if code not in other]
    shared = len(codes) - len(own)
    same = [f"{shared} on both sides"] if shared else []
    return [*own, *same] or ["none"]


def _words(kind: str, code: str, today: date) -> str:
    name, _, rest = code.partition(":")
    if kind == PolicyKind.MATCHING:
        return f"{_plain(name)} ({_plain(rest)})" if rest else "referred to the prescriber"
    if kind == PolicyKind.MESSAGES:
        return f"{day_words(date.fromisoformat(rest), today=today)}: {_STEPS[name]}"
    first, _, last = rest.partition(":")
    days = [day_words(date.fromisoformat(day), today=today) for day in (first, last)]
    return f"{_plain(name)}: {days[0]} to {days[1]}"


def _plain(code: str) -> str:
    return code.replace("_", " ")
