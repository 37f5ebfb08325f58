"""Writes about members of staff."""

from collections.abc import Sequence
from dataclasses import dataclass

from django.contrib.auth import get_user_model
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from resupply.models import Location, Role, Staff
from resupply.services.errors import Refused


@dataclass(frozen=True, slots=True, kw_only=True)
class NewStaff:
    """A member of staff and how they sign in; `locations` empty: they work at all of them."""

    user_name: str
    password: str
    role: Role
    given_name: str = ""
    family_name: str = ""
    email: str = ""
    locations: Sequence[Location] = ()


def add_staff(new: NewStaff) -> Staff:
    """Make an account and give it a role.

    Refused: `user_name` where it is taken or malformed, `password` where it is too weak.
    """
    user = get_user_model()(
        username=new.user_name, first_name=new.given_name, last_name=new.family_name, email=new.email
    )
    try:
        validate_password(new.password, user)
    except ValidationError as weak:
        raise Refused("password", " ".join(weak.messages), "password") from None
    user.set_password(new.password)
    try:
        user.full_clean(exclude=["password"])
    except ValidationError as wrong:
        raise Refused("user_name", " ".join(wrong.messages), "user_name") from None
    try:
        with transaction.atomic():
            user.save()
            staff = Staff.objects.create(user=user, role=new.role)
            staff.locations.set(new.locations)
    except IntegrityError:
        raise Refused("user_name", "This user name is taken; choose another.", "user_name") from None
    return staff
