"""Versions and drafts of policy in words."""

from typing import Any

from resupply.models import PolicyDraft, PolicyKind
from resupply.rules.cleaning import cleaning_tasks
from resupply.rules.effects import Change
from resupply.web.wording import kind_word, part_word, period_words

CHANGES = {
    Change.BECOMES_OVERDUE: "becomes overdue",
    Change.LEAVES_OVERDUE: "is overdue no more",
    Change.BECOMES_DUE: "becomes due",
    Change.LEAVES_DUE: "is due no more",
    Change.SOONER: "comes sooner",
    Change.LATER: "comes later",
    Change.PARTS: "other number of parts",
    Change.LISTS: "other cleaning lists",
    Change.REFERRED: "is referred",
    Change.NOT_REFERRED: "is referred no more",
    Change.EXCLUDED: "a style is not offered any more",
    Change.OTHER_FIRST: "another style comes first",
    Change.OTHER_ORDER: "styles in another order",
    Change.STANDING: "a style stands otherwise",
    Change.VISITS: "visits move",
    Change.MESSAGES: "other messages",
}
_OTHERS = {
    PolicyKind.MATCHING: (
        *(Change.REFERRED, Change.NOT_REFERRED, Change.EXCLUDED),
        *(Change.OTHER_FIRST, Change.OTHER_ORDER, Change.STANDING),
    ),
    PolicyKind.FOLLOW_UPS: (Change.VISITS,),
    PolicyKind.MESSAGES: (Change.MESSAGES,),
}
_FREQUENCIES = {"": "not used", "daily": "daily", "weekly": "weekly", "monthly": "monthly"}


def happens_to(kind: str) -> tuple[Change, ...]:
    """What a draft of a kind may do to a line or a patient."""
    others = [change for changes in _OTHERS.values() for change in changes]
    return _OTHERS.get(PolicyKind(kind), tuple(change for change in CHANGES if change not in others))


def subject(kind: str, row: Any) -> str:
    """What a version or draft is about."""
    said = values_of(row)
    if kind in (PolicyKind.LIFE, PolicyKind.ALLOWANCE):
        about = f"{said['part_code']} {part_word(said['part_code'])}".strip()
        return f"{row.payer}: {about}" if kind == PolicyKind.ALLOWANCE else about
    if kind == PolicyKind.REFILL:
        return str(row.payer) if row.payer else "The clinic’s own leads"
    if kind == PolicyKind.CLEANING:
        task = cleaning_tasks().get(said["task"])
        return task.title["en"] if task else str(said["task"])
    return str(PolicyKind(kind).label)


def says(kind: str, row: Any) -> str:
    """What it says."""
    said = values_of(row)
    if kind == PolicyKind.LIFE:
        return f"worn after {period_words(said['period_count'], said['period_unit'])}"
    if kind == PolicyKind.ALLOWANCE:
        units = f"{said['units']} unit{'' if said['units'] == 1 else 's'}"
        every = period_words(said["period_count"], said["period_unit"])
        at_once = said["at_once_periods"]
        often = "one period" if at_once == 1 else f"{at_once} periods"
        return f"{units} per {every.removeprefix('1 ')}, at most {often} at once"
    if kind == PolicyKind.REFILL:
        return (
            f"ask {said['contact_lead_days']} days before the refill date, "
            f"dispense {said['delivery_lead_days']} days before"
        )
    if kind == PolicyKind.TERMS:
        target = period_words(said["target_count"], said["target_unit"])
        return f"no question for {said['gap_days']} days after a delivery; a refill aims at {target}"
    if kind == PolicyKind.CLEANING:
        return _FREQUENCIES[said["frequency"]]
    if kind == PolicyKind.MESSAGES:
        return (
            f"from {str(said['opens'])[:5]} to {str(said['closes'])[:5]}, at most {said['per_week']} a week; "
            f"a question is asked once more after {said['second_ask_days']} days, "
            f"the end of a link is written about {said['link_ahead_days']} days ahead"
        )
    if kind == PolicyKind.FOLLOW_UPS:
        steps = [f"{step['name']}, day {step['from_day']} to {step['to_day']}" for step in said["steps"]]
        return "; ".join(steps) or "no visits"
    return "a table of our own"


def values_of(row: Any) -> dict[str, Any]:
    """The values of a draft, or of a version's row, by name."""
    values: dict[str, Any] = row.values if isinstance(row, PolicyDraft) else vars(row)
    return values


def list_words(tasks: list[str]) -> str:
    """Cleaning lists (`weekly:wash_tubing`) in words."""
    words = []
    for item in tasks:
        frequency, _, code = item.partition(":")
        task = cleaning_tasks().get(code)
        words.append(f"{task.title['en'] if task else code} ({frequency})")
    return "; ".join(words) or "none"


def line_words(kind: str, part_code: str) -> str:
    """A line, by its kind and code."""
    return f"{kind_word(kind)}, {part_code}" if kind else "Cleaning lists"
