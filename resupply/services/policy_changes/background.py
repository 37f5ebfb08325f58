"""Previews and changes as jobs: asked for by a page, done in slices by a worker."""

from datetime import datetime, timedelta
from time import monotonic

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.models import DraftState, Job, PolicyDraft, PolicyRun, RunStep
from resupply.queries.drafts import LEDGERS
from resupply.services import jobs
from resupply.services.errors import Refused
from resupply.services.jobs.asking import AT_WORK
from resupply.services.jobs.kinds import Params, Progress
from resupply.services.policy_changes.applying import Tell, give_up, start, work_on
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
    with transaction.atomic():  # a change under way has a job, whatever breaks off here
        start(draft, by=by, now=now)
        if draft.kind not in LEDGERS:
            return None
        return _hand(draft, "policy_apply", title, back_url, by, now)


def give_up_in_background(
    draft: PolicyDraft, *, title: str, back_url: str, by: AbstractBaseUser, now: datetime
) -> Job:
    """Give a draft up while it is applied, and have cleared away what was staged. Raises Refused as
    `give_up`.
    """
    with transaction.atomic():
        give_up(draft, by=by, now=now)
        return _hand(draft, "policy_apply", title, back_url, by, now)


def has_stopped(draft: PolicyDraft) -> bool:
    """Whether work on a draft is left with nobody at it: its job failed, was dropped, or never came to be."""
    run: PolicyRun | None = getattr(draft, "run", None)
    if run is None or (run.job and run.job.state in AT_WORK):
        return False
    is_previewing = draft.state == DraftState.PREVIEWING
    return is_previewing or run.step == RunStep.TIDY or draft.state == DraftState.APPLYING


def go_on_in_background(
    draft: PolicyDraft, *, title: str, back_url: str, by: AbstractBaseUser, now: datetime
) -> Job:
    """Have the work on a draft gone on with that stopped, from where it is. Raises Refused `not_stopped`."""
    with transaction.atomic():
        draft = PolicyDraft.objects.select_for_update(of=("self",)).get(pk=draft.pk)
        if not has_stopped(draft):
            raise Refused("not_stopped", "This work has not stopped. Look where it stands now.")
        kind = "policy_preview" if draft.state == DraftState.PREVIEWING else "policy_apply"
        return _hand(draft, kind, title, back_url, by, now)


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
