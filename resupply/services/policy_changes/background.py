"""Previews and changes as jobs: asked for by a page, done in slices by a worker."""

from datetime import datetime, timedelta
from time import monotonic

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.models import DraftState, Job, PolicyDraft
from resupply.queries.drafts import LEDGERS
from resupply.services import jobs
from resupply.services.errors import Refused
from resupply.services.jobs.kinds import Params, Progress
from resupply.services.policy_changes.applying import Tell, start, work_on
from resupply.services.policy_changes.previewing import ask_preview, hand_to_job, preview

PERMISSION = "policy.change"


def preview_in_background(
    draft: PolicyDraft, *, title: str, back_url: str, by: AbstractBaseUser, now: datetime
) -> Job:
    """Have a draft previewed. Raises Refused as `ask_preview`."""
    with transaction.atomic():
        ask_preview(draft, by=by, now=now)
        return _hand(draft, "policy_preview", title, back_url, by, now)


def apply_in_background(
    draft: PolicyDraft, *, title: str, back_url: str, by: AbstractBaseUser, now: datetime
) -> Job | None:
    """Have a draft applied; None: it moves no plan, and is. Raises Refused as `start`."""
    start(draft, by=by, now=now)
    if draft.kind not in LEDGERS:
        return None
    return _hand(draft, "policy_apply", title, back_url, by, now)


def tidy_in_background(
    draft: PolicyDraft, *, title: str, back_url: str, by: AbstractBaseUser, now: datetime
) -> Job:
    """Have cleared away what was staged of a draft that was given up."""
    return _hand(draft, "policy_apply", title, back_url, by, now)


def _hand(
    draft: PolicyDraft, kind: str, title: str, back_url: str, by: AbstractBaseUser, now: datetime
) -> Job:
    job = jobs.ask(
        kind, {"draft": draft.pk}, title=title, permission=PERMISSION, by=by, now=now, back_url=back_url
    )
    hand_to_job(draft, job)
    return job


@jobs.register("policy_preview")
def run_preview(params: Params, progress: Progress, /, *, now: datetime) -> None:
    """Go on with a preview."""
    preview(_draft_id(params), tell=_telling(progress))
    progress.say("The preview is ready.")


@jobs.register("policy_apply")
def run_apply(params: Params, progress: Progress, /, *, now: datetime) -> None:
    """Go on with a change; where the switch has to wait, ask again, in a later slice too."""
    began = monotonic()
    draft_id = _draft_id(params)
    while not work_on(
        draft_id, now=lambda: now + timedelta(seconds=monotonic() - began), tell=_telling(progress)
    ):
        _telling(progress)(*progress.told)
    is_applied = PolicyDraft.objects.get(pk=draft_id).state == DraftState.APPLIED
    progress.say(
        "Every plan follows the new rule." if is_applied else "Nothing of the draft is in the plans."
    )


def _telling(progress: Progress) -> Tell:
    def tell(done: int, of: int) -> None:
        progress(done, of)
        progress.keep({"done": done})

    return tell


def _draft_id(params: Params) -> int:
    draft = params["draft"]
    if not isinstance(draft, int):
        raise Refused("no_draft", "The draft is not on record any more.")
    return draft
