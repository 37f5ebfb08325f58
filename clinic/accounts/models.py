"""The account a member of staff signs in with."""

from django.contrib.auth.models import AbstractUser


class User(AbstractUser):
    """A user name and a password. Roles belong to the clinic's staff records, never to this row."""
