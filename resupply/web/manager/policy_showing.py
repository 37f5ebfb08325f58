"""What the page of a draft shows of its preview: numbers, strips, and the list, for every kind of draft."""

from typing import Any

from resupply.models import DraftState, PolicyDraft, PolicyEffect, PolicyKind, PolicyRun
from resupply.queries.draft_strips import drawn
from resupply.queries.drafts import LEDGERS
from resupply.queries.matching import differences
from resupply.queries.standing_rules import both_on, table_in
from resupply.queries.workbench import Total
from resupply.rules.effects import HORIZON, Change
from resupply.web.manager.policy_other_words import MOVED, NOTES, code_words, counted
from resupply.web.manager.policy_strips import strips
from resupply.web.manager.policy_words import CHANGES, line_words, list_words

_COUNTED = (
    ("overdue", "Lines overdue"),
    ("due", "Lines due that day"),
    ("ready", "Lines ready to dispense"),
    ("ask", "Lines to ask about"),
    ("parts", f"Parts in the next {HORIZON} days"),
    ("questions", f"Messages that ask, in the next {HORIZON} days"),
)
_PLANS_NOTE = (
    f"Parts and messages count the refills that every line will need in the {HORIZON} days from then on, if "
    "each comes on its date; one message a patient and day. Fewer will go out: only who agreed to it is "
    "written to, and not everybody says yes."
)


def numbers(draft: PolicyDraft, whole: Total, each: list[Total]) -> dict[str, Any]:
    """The preview in numbers: all of it, and by location and payer."""
    moves_plans = draft.kind in LEDGERS
    return {
        "moves_plans": moves_plans,
        "whole": whole,
        "happens": [
            (word, whole.changes[change]) for change, word in CHANGES.items() if whole.changes[change]
        ],
        "counted": _plan_counts(whole) if moves_plans else counted(draft.kind, whole.before, whole.after),
        "note": _PLANS_NOTE if moves_plans else NOTES[PolicyKind(draft.kind)],
        "moved_words": "" if moves_plans else _moved(draft.kind, whole),
        "each": each,
        "each_counted": []
        if moves_plans
        else [(one, counted(draft.kind, one.before, one.after, in_short=True)) for one in each],
        "horizon": HORIZON,
    }


def _moved(kind: str, whole: Total) -> str:
    """How many of how many patients it bears on."""
    among = max(whole.before["patients"], whole.after["patients"])
    return MOVED[PolicyKind(kind)].format(f"{among:,}")


def _plan_counts(whole: Total) -> list[tuple[str, int, int, int]]:
    return [
        (word, whole.before[name], whole.after[name], whole.after[name] - whole.before[name])
        for name, word in _COUNTED
    ]


def listed(draft: PolicyDraft, rows: list[PolicyEffect], *, today: Any) -> list[dict[str, Any]]:
    """Rows of the list in words."""
    moves_plans = draft.kind in LEDGERS
    return [
        {
            "effect": row,
            "line": line_words(row.kind, row.part_code) if moves_plans else "",
            "happens": CHANGES[Change(row.change)],
            "lists": (list_words(row.lists_before), list_words(row.lists_after)) if moves_plans else (),
            "sides": ()
            if moves_plans
            else [
                ("Before", code_words(draft.kind, row.lists_before, row.lists_after, today=today)),
                ("After", code_words(draft.kind, row.lists_after, row.lists_before, today=today)),
            ],
        }
        for row in rows
    ]


def shown(draft: PolicyDraft, run: PolicyRun | None, rows: list[PolicyEffect]) -> dict[str, Any]:
    """Strips of the first patients of the list, and the rows in which a table differs: while it can still be
    compared with what is in force.
    """
    if draft.state != DraftState.READY or run is None or run.as_of is None:
        return {}
    if draft.kind in LEDGERS:
        return {"strips": strips(drawn(draft, rows, as_of=run.as_of), as_of=run.as_of)}
    if draft.kind == PolicyKind.MATCHING:
        both = both_on(draft, run.as_of)
        return {"table_changes": list(differences(table_in(both.before), table_in(both.after)))}
    return {}
