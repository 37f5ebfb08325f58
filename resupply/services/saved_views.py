"""Views of the overdue list that a person saved under a name."""

from datetime import datetime

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.models import SavedView
from resupply.services.errors import Refused

MOST = 20
LONGEST_NAME = 60
LONGEST_QUERY = 500


def save_view(name: str, query: str, *, by: AbstractBaseUser, now: datetime) -> SavedView:
    """Save filters under a name; a view of that name of the same person is replaced.

    Raises Refused: `name`, `too_many`, `too_long` (more filters than are kept).
    """
    name = " ".join(name.split())
    if not name or len(name) > LONGEST_NAME:
        raise Refused("name", f"Give the view a name of 1 to {LONGEST_NAME} characters.", "name")
    if len(query) > LONGEST_QUERY:
        raise Refused("too_long", "These are more filters than a view keeps. Choose fewer, or shorter ones.")
    with transaction.atomic():
        mine = SavedView.objects.filter(user_id=by.pk, removed_at=None)
        mine.filter(name=name).update(removed_at=now)
        if mine.count() >= MOST:
            raise Refused("too_many", f"You have {MOST} saved views. Remove one first.", "name")
        return SavedView.objects.create(user_id=by.pk, name=name, query=query, saved_at=now)


def remove_view(view: SavedView, *, now: datetime) -> None:
    """Take a view off its owner's list."""
    SavedView.objects.filter(pk=view.pk, removed_at=None).update(removed_at=now)
