"""Drafts: made, changed, dropped. Nothing of it moves a plan."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.models import DraftAct, DraftState, Payer, PolicyDraft, PolicyEffect, PolicyKind, PolicyTotal
from resupply.services import versions
from resupply.services.errors import Refused
from resupply.services.records import (
    check_begin,
    check_reason,
    kept_whole,
)

OPEN = (DraftState.DRAFT, DraftState.READY, DraftState.PREVIEWING)
"""States in which a draft may be changed or dropped: nothing of it is in the plans."""
SLACK = timedelta(days=1)
"""A clinic's day may lie one behind that of UTC."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What somebody wants a version to say; `values` as `versions.FIELDS` names them."""

    kind: PolicyKind
    values: Mapping[str, Any]
    effective_from: date
    reason: str
    source: str = ""
    payer: Payer | None = field(default=None)


def make(wanted: Wanted, *, by: AbstractBaseUser | None, now: datetime) -> PolicyDraft:
    """Write a draft of a new version. Raises Refused: what `versions.check` refuses, `effective_from`,
    `past`, `reason_missing`, `reason_long`.
    """
    return PolicyDraft.objects.create(
        **_checked(wanted, now=now), drafted_at=now, drafted_by_id=by.pk if by else None
    )


def revise(draft: PolicyDraft, wanted: Wanted, *, by: AbstractBaseUser | None, now: datetime) -> PolicyDraft:
    """Change a draft that has not been applied; its preview no longer counts. Raises Refused as `make` does,
    `not_open`.
    """
    changes = _checked(wanted, now=now)
    with transaction.atomic():
        draft = locked(draft)
        for name, value in changes.items():
            setattr(draft, name, value)
        draft.state, draft.drafted_at, draft.drafted_by_id = DraftState.DRAFT, now, by.pk if by else None
        draft.save()
        clear_preview(draft)
    return draft


def make_void(
    kind: PolicyKind, version_id: int, *, reason: str, by: AbstractBaseUser | None, now: datetime
) -> PolicyDraft:
    """Write a draft that voids a version. Raises Refused: `reason_missing`, `reason_long`, `already_void`."""
    version: Any = versions.MODELS[kind]._default_manager.get(pk=version_id)
    if version.is_voided:
        raise Refused("already_void", "This version has been voided already.")
    return PolicyDraft.objects.create(
        kind=kind,
        act=DraftAct.VOID,
        payer=getattr(version, "payer", None),
        values={name: versions.plain(getattr(version, name)) for name in versions.FIELDS[kind]},
        version_id=version_id,
        effective_from=version.effective_from,
        reason=check_reason(reason),
        drafted_at=now,
        drafted_by_id=by.pk if by else None,
    )


def drop(draft: PolicyDraft, *, by: AbstractBaseUser | None, now: datetime) -> PolicyDraft:
    """Give a draft up before it is applied; it stays readable. Raises Refused `not_open`."""
    with transaction.atomic():
        draft = locked(draft)
        draft.state, draft.decided_at, draft.decided_by_id = DraftState.DROPPED, now, by.pk if by else None
        draft.save()
        clear_preview(draft)
    return draft


def locked(draft: PolicyDraft, states: tuple[DraftState, ...] = OPEN) -> PolicyDraft:
    """The draft as it is now, held until the transaction ends. Raises Refused `not_open`."""
    draft = PolicyDraft.objects.select_for_update(of=("self",)).select_related("payer").get(pk=draft.pk)
    if draft.state not in states:
        raise Refused("not_open", "This draft has moved on meanwhile. Look where it stands now.")
    return draft


def clear_preview(draft: PolicyDraft) -> None:
    """Take away the rows of a preview: they are derived, and hold patients' data."""
    PolicyEffect.objects.filter(draft=draft).delete()
    PolicyTotal.objects.filter(draft=draft).delete()


def check_begins(kind: str, act: str, effective_from: date, *, now: datetime) -> None:
    """Terms of messages begin today or later: what was sent was sent. Raises Refused `past`."""
    if kind == PolicyKind.MESSAGES and act == DraftAct.ADD and effective_from < now.date() - SLACK:
        raise Refused("past", "Terms begin today or later: what was sent was sent.", "effective_from")


def _checked(wanted: Wanted, *, now: datetime) -> dict[str, Any]:
    reason = check_reason(wanted.reason)
    check_begin(wanted.effective_from)
    check_begins(wanted.kind, DraftAct.ADD, wanted.effective_from, now=now)
    versions.check(wanted.kind, wanted.values, wanted.payer)
    return {
        "kind": wanted.kind,
        "payer": wanted.payer,
        "values": {name: wanted.values[name] for name in versions.FIELDS[wanted.kind]},
        "effective_from": wanted.effective_from,
        "reason": reason,
        "source": kept_whole(wanted.source, 200, "source"),
    }
