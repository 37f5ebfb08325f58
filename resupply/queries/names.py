"""What the clinic calls its people."""

from django.contrib.auth.models import AbstractUser


def staff_name(user: AbstractUser | None) -> str:
    """What the clinic calls somebody: the full name, or the name signed in with; nothing for None."""
    return "" if user is None else user.get_full_name() or user.get_username()
