"""The rules that move no plan, as they stand on a day, and as a draft would have them.

Each is a ledger of versions of which the one that begins last by a day counts, of two that begin on one day
the later recorded: a draft would be that one.
"""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, time
from typing import Any

from resupply.models import (
    DraftAct,
    FollowUpPlanVersion,
    MatchingVersion,
    MessageTermsVersion,
    PolicyDraft,
    PolicyKind,
)
from resupply.queries.message_terms import schedule, terms_of
from resupply.rules.follow_ups import SHIPPED, FollowUpStep
from resupply.rules.matching_table import Table, read_table, shipped
from resupply.rules.message_terms import MessageTerms, Schedule
from resupply.rules.reminders import Hours

MODELS: dict[str, Any] = {
    PolicyKind.MATCHING: MatchingVersion,
    PolicyKind.FOLLOW_UPS: FollowUpPlanVersion,
    PolicyKind.MESSAGES: MessageTermsVersion,
}


@dataclass(frozen=True, slots=True)
class Both:
    """The values of the version in force on a day, without a draft and with it; None: the shipped rule."""

    before: Mapping[str, Any] | None
    after: Mapping[str, Any] | None


def both_on(draft: PolicyDraft, day: date) -> Both:
    """What counts on a day without the draft and with it. One query, or two."""
    rows = MODELS[draft.kind]._default_manager.filter(voided_at=None, effective_from__lte=day)
    ordered = rows.order_by("-effective_from", "-pk")
    now = ordered.first()
    before = vars(now) if now is not None else None
    if draft.act == DraftAct.VOID:
        left = ordered.exclude(pk=draft.version_id).first()
        return Both(before, vars(left) if left is not None else None)
    begun: Any = now
    wins = draft.effective_from <= day and (now is None or draft.effective_from >= begun.effective_from)
    return Both(before, draft.values if wins else before)


def table_in(values: Mapping[str, Any] | None) -> Table:
    """The matching table that a version or draft says."""
    return read_table(values["table"]) if values else shipped()


def plan_in(values: Mapping[str, Any] | None) -> tuple[FollowUpStep, ...]:
    """The follow-up plan that a version or draft says."""
    return tuple(FollowUpStep(**row) for row in values["steps"]) if values else SHIPPED


def schedule_with(draft: PolicyDraft) -> Schedule:
    """The terms of messages as they would be with the draft. One query."""
    if draft.act == DraftAct.VOID:
        rows = (
            MessageTermsVersion.objects.filter(voided_at=None)
            .exclude(pk=draft.version_id or 0)
            .order_by("pk")
        )
        return Schedule(tuple(terms_of(row) for row in rows))
    return Schedule((*schedule().versions, terms_in(draft.values, draft.effective_from)))


def terms_in(values: Mapping[str, Any], begins: date) -> MessageTerms:
    """The terms of messages that a draft says; hours as `HH:MM`."""
    hours = Hours(time.fromisoformat(values["opens"]), time.fromisoformat(values["closes"]))
    return MessageTerms(
        hours, values["per_week"], values["second_ask_days"], values["link_ahead_days"], begins
    )


def mark_of(kind: str) -> int:
    """A number that changes with the standing versions of a kind."""
    rows = MODELS[kind]._default_manager.filter(voided_at=None).order_by("pk").values_list("pk", flat=True)
    return int.from_bytes(hashlib.sha256(repr(list(rows)).encode()).digest()[:4]) >> 1
