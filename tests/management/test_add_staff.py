"""The first account of a clinic, made from a terminal."""

import io

import pytest
from django.contrib.auth import authenticate
from django.core.management import CommandError, call_command
from django.test import RequestFactory

from resupply.models import Role, Staff
from tests.cast import Cast

pytestmark = pytest.mark.django_db
GOOD = "nine quiet rooms"


def add(monkeypatch: pytest.MonkeyPatch, *words: str, password: str = GOOD) -> str:
    monkeypatch.setattr("sys.stdin", io.StringIO(f"{password}\n"))
    out = io.StringIO()
    call_command("add_staff", *words, "--password-from-stdin", stdout=out)
    return out.getvalue()


def test_an_account_with_a_role_that_can_sign_in(monkeypatch: pytest.MonkeyPatch, cast: Cast) -> None:
    place = cast.odalys.location
    said = add(monkeypatch, "wren", "manager", "--given-name", "Wren", "--location", place.name)
    staff = Staff.objects.get(user__username="wren")
    assert (staff.role, list(staff.locations.all())) == (Role.MANAGER, [place])
    assert GOOD not in said
    there = RequestFactory().post("/sign-in/", REMOTE_ADDR="192.0.2.7")
    assert authenticate(there, username="wren", password=GOOD) == staff.user


@pytest.mark.parametrize(
    ("words", "password", "message"),
    [
        (["wren", "manager"], "short", "too short"),
        (["wren", "manager"], "password1234", "too common"),
        (["w r e n", "manager"], GOOD, "Use letters, digits and"),
        (["wren", "manager", "--location", "Nowhere"], GOOD, "no location named 'Nowhere'"),
        (["wren", "owner"], GOOD, "invalid choice"),
    ],
)
def test_refused_with_a_reason_and_nothing_written(
    words: list[str], password: str, message: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = Staff.objects.count()
    with pytest.raises(CommandError, match=message):
        add(monkeypatch, *words, password=password)
    assert Staff.objects.count() == before


def test_a_user_name_is_given_once(monkeypatch: pytest.MonkeyPatch) -> None:
    add(monkeypatch, "wren", "desk")
    with pytest.raises(CommandError, match="already exists"):
        add(monkeypatch, "wren", "manager")
    assert Staff.objects.get(user__username="wren").role == Role.DESK
