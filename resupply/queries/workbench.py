"""The policy workbench: dated versions of every kind as one shape, and what a draft would do."""

from collections import Counter
from collections.abc import Collection, Hashable, Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db.models import QuerySet

from resupply.models import (
    AllowanceVersion,
    CleaningChoice,
    ClinicTermsVersion,
    DraftAct,
    DraftState,
    FollowUpPlanVersion,
    LifeVersion,
    MatchingVersion,
    MessageTermsVersion,
    PolicyDraft,
    PolicyEffect,
    PolicyKind,
    PolicyTotal,
    RefillRuleVersion,
)
from resupply.queries.names import staff_name
from resupply.rules.effects import Change

PAGE = 50
IN_FORCE, PLANNED, PAST, VOIDED = "in force", "planned", "past", "voided"
_SUBJECT = {
    PolicyKind.LIFE: ("part_code",),
    PolicyKind.ALLOWANCE: ("payer_id", "part_code"),
    PolicyKind.REFILL: ("payer_id",),
    PolicyKind.CLEANING: ("task",),
}
"""What versions of a kind replace each other about; else there is one rule of the kind."""


@dataclass(frozen=True, slots=True)
class Version:
    """A dated version of any kind: `row` is its record, `state` how it stands today, `why` and `source` as
    recorded or as its draft said.
    """

    kind: PolicyKind
    row: Any
    state: str
    why: str
    source: str

    @property
    def who(self) -> str:
        """Who recorded it; empty: the program or an import."""
        return staff_name(self.row.recorded_by)


def versions(*, today: date) -> dict[PolicyKind, list[Version]]:
    """All versions of the clinic's and the payers' rules by kind: planned, in force, past, voided; each by
    day, the latest first.
    """
    said = {
        (draft.kind, draft.version_id): draft
        for draft in PolicyDraft.objects.filter(act=DraftAct.ADD, state=DraftState.APPLIED)
    }
    found: dict[PolicyKind, list[Version]] = {}
    for kind, rows in _rows():
        standing: dict[Hashable, Any] = {}
        listed = list(rows.order_by("effective_from", "pk"))
        for row in listed:
            if not row.is_voided and row.effective_from <= today:
                standing[_subject(kind, row)] = row
        made = []
        for row in reversed(listed):
            draft = said.get((kind.value, row.pk))
            why = getattr(row, "reason", "") or (draft.reason if draft else "")
            source = getattr(row, "source", "") or (draft.source if draft else "")
            made.append(Version(kind, row, _state(kind, row, standing, today), why, source))
        found[kind] = sorted(made, key=lambda one: [PLANNED, IN_FORCE, PAST, VOIDED].index(one.state))
    return found


def _rows() -> Iterator[tuple[PolicyKind, "QuerySet[Any]"]]:
    who = ("recorded_by", "voided_by")
    yield PolicyKind.LIFE, LifeVersion.objects.filter(patient=None).select_related(*who)
    yield PolicyKind.ALLOWANCE, AllowanceVersion.objects.select_related("payer", *who)
    yield PolicyKind.REFILL, RefillRuleVersion.objects.select_related("payer", *who)
    yield PolicyKind.TERMS, ClinicTermsVersion.objects.select_related(*who)
    yield PolicyKind.CLEANING, CleaningChoice.objects.select_related(*who)
    yield PolicyKind.MATCHING, MatchingVersion.objects.select_related(*who)
    yield PolicyKind.MESSAGES, MessageTermsVersion.objects.select_related(*who)
    yield PolicyKind.FOLLOW_UPS, FollowUpPlanVersion.objects.select_related(*who)


def _subject(kind: PolicyKind, row: Any) -> Hashable:
    return tuple(getattr(row, name) for name in _SUBJECT.get(kind, ()))


def _state(kind: PolicyKind, row: Any, standing: dict[Hashable, Any], today: date) -> str:
    if row.is_voided:
        return VOIDED
    if row.effective_from > today:
        return PLANNED
    return IN_FORCE if standing[_subject(kind, row)] == row else PAST


def open_drafts() -> list[PolicyDraft]:
    """Drafts that are neither applied nor dropped, the newest first."""
    closed = [DraftState.APPLIED, DraftState.DROPPED]
    rows = PolicyDraft.objects.exclude(state__in=closed).select_related("payer", "drafted_by")
    return list(rows.order_by("-pk"))


@dataclass(slots=True)
class Total:
    """A preview in numbers: of one location and payer, or of all."""

    location: str
    payer: str
    before: Counter[str]
    after: Counter[str]
    changes: Counter[str]


def totals(draft: PolicyDraft, location_ids: Collection[int]) -> tuple[Total, list[Total]]:
    """The preview of a draft at locations (none: at all): its sum, and by location and payer."""
    rows = PolicyTotal.objects.filter(draft=draft).select_related("location", "payer")
    if location_ids:
        rows = rows.filter(location__in=location_ids)
    each = [
        Total(
            row.location.name,
            row.payer.name if row.payer else "The patient pays",
            Counter(row.before),
            Counter(row.after),
            Counter(row.changes),
        )
        for row in rows.order_by("location__name", "payer__name")
    ]
    whole = Total("", "", Counter(), Counter(), Counter())
    for one in each:
        whole.before.update(one.before)
        whole.after.update(one.after)
        whole.changes.update(one.changes)
    return whole, each


@dataclass(frozen=True, slots=True, kw_only=True)
class EffectFilter:
    """What a list of effects is narrowed to; None: everything. `payer_id` 0: the patient pays."""

    location_ids: frozenset[int] | None = None
    payer_id: int | None = None
    kind: str = ""
    change: Change | None = None


def effects(draft: PolicyDraft, wanted: EffectFilter) -> QuerySet[PolicyEffect]:
    """What a draft would do, line by line, in the order of patients."""
    rows = PolicyEffect.objects.filter(draft=draft).select_related("patient", "location", "payer")
    if wanted.location_ids is not None:
        rows = rows.filter(location__in=sorted(wanted.location_ids))
    if wanted.payer_id is not None:
        rows = rows.filter(payer=wanted.payer_id or None)
    if wanted.kind:
        rows = rows.filter(kind=wanted.kind)
    if wanted.change is not None:
        rows = rows.filter(change=wanted.change)
    return rows


@dataclass(frozen=True, slots=True)
class EffectPage:
    """Rows of one page, and the row numbers that the pages before and after it go on from (0: none)."""

    rows: list[PolicyEffect]
    before: int
    after: int


def effect_page(draft: PolicyDraft, wanted: EffectFilter, *, after: int = 0, before: int = 0) -> EffectPage:
    """One page, behind or before a row; never counted."""
    rows = effects(draft, wanted)
    if before:
        found = list(rows.filter(pk__lt=before).order_by("-pk")[: PAGE + 1])
        more, found = len(found) > PAGE, found[:PAGE][::-1]
        return EffectPage(found, found[0].pk if more else 0, found[-1].pk if found else 0)
    found = list(rows.filter(pk__gt=after).order_by("pk")[: PAGE + 1])
    more, found = len(found) > PAGE, found[:PAGE]
    return EffectPage(found, found[0].pk if after and found else 0, found[-1].pk if more else 0)


def effect_rows(draft: PolicyDraft, wanted: EffectFilter) -> Iterable[PolicyEffect]:
    """Every row, read in batches with flat memory."""
    return effects(draft, wanted).order_by("pk").iterator(chunk_size=1000)
