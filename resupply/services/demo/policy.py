"""Policy of the demo clinic: a life that is planned, and a draft whose preview is ready to be looked at."""

from datetime import date, datetime, timedelta

from django.contrib.auth import get_user_model

from resupply.models import PolicyKind
from resupply.services import policy_changes
from resupply.services.policy_changes import Wanted


def write_policy(*, today: date, now: datetime) -> None:
    """Let the manager have decided one thing, and thought about another."""
    manager = get_user_model().objects.get(staff__role="manager")
    planned = Wanted(
        kind=PolicyKind.LIFE,
        values={"part_code": "A7036", "period_count": 4, "period_unit": "month"},
        effective_from=today + timedelta(days=30),
        reason="chin straps come back slack after four months",
        source="our own count of returns (demo)",
    )
    policy_changes.apply_now(policy_changes.make(planned, by=manager, now=now), by=manager, now=now)
    thought = Wanted(
        kind=PolicyKind.LIFE,
        values={"part_code": "A7037", "period_count": 4, "period_unit": "month"},
        effective_from=today,
        reason="tubing seen to last longer",
        source="notes of the fitting room (demo)",
    )
    draft = policy_changes.make(thought, by=manager, now=now)
    policy_changes.ask_preview(draft, by=manager, now=now)
    policy_changes.preview(draft.pk)
