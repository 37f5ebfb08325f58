"""The account a member of staff signs in with."""

from django.contrib.auth.models import AbstractUser
from django.db import models


class User(AbstractUser):
    """A user name and a password. Roles belong to the clinic's staff records, never to this row."""

    is_demo = models.BooleanField(
        default=False, help_text="Signs in to a demonstration on its own machine only."
    )
