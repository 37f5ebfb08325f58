"""Guessing passwords: ten wrong ones from one address shut a name there, known or not, and nowhere else."""

import logging
from datetime import timedelta

import pytest
import time_machine
from django.conf import settings
from django.contrib.auth.hashers import make_password
from django.test import Client
from django.urls import reverse

from clinic.accounts.models import User
from tests.builders import NOW

pytestmark = pytest.mark.django_db
GOOD = "correct horse battery"


@pytest.fixture
def wren(settings: pytest.FixtureRequest) -> User:
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]  # type: ignore[attr-defined]
    return User.objects.create(username="wren", password=make_password(GOOD))


def try_in(name: str, password: str, address: str = "192.0.2.7") -> tuple[int, str]:
    answer = Client(REMOTE_ADDR=address).post(reverse("login"), {"username": name, "password": password})
    return answer.status_code, answer.content.decode()


def test_a_name_is_shut_at_one_address_for_a_while(wren: User) -> None:
    with time_machine.travel(NOW, tick=False) as clock:
        for _ in range(settings.AXES_FAILURE_LIMIT - 1):
            assert try_in("wren", "wrong")[0] == 200
        status, page = try_in("wren", "wrong")
        assert (status, "Wait 15 minutes" in page) == (429, True)
        assert try_in("wren", GOOD)[0] == 429  # the right one opens nothing now
        assert try_in("wren", GOOD, address="192.0.2.8")[0] == 302  # a colleague's desk is not shut
        clock.shift(timedelta(minutes=16))
        assert try_in("wren", GOOD)[0] == 302


def test_nothing_tells_a_known_name_from_an_unknown_one(wren: User) -> None:
    with time_machine.travel(NOW, tick=False):
        known = [try_in("wren", "wrong") for _ in range(settings.AXES_FAILURE_LIMIT + 1)]
        unknown = [try_in("nemo", "wrong") for _ in range(settings.AXES_FAILURE_LIMIT + 1)]
    assert [status for status, _ in known] == [status for status, _ in unknown]
    assert known[-1][1].replace("wren", "nemo").split("csrf")[0] == unknown[-1][1].split("csrf")[0]


def test_each_sign_in_and_each_failure_leaves_a_line(wren: User, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO)
    try_in("wren", "wrong-secret")
    assert any("failure" in line and "192.0.2.7" in line for line in caplog.messages)
    try_in("wren", GOOD)
    (line,) = [one for one in caplog.records if one.getMessage() == "signed in"]
    assert vars(line)["user"] == wren.pk
    assert not any(secret in line for line in caplog.messages for secret in ("wrong-secret", GOOD))


def test_a_good_password_forgets_the_wrong_ones_before(wren: User) -> None:
    with time_machine.travel(NOW, tick=False):
        for _ in range(3):
            for _ in range(settings.AXES_FAILURE_LIMIT - 1):
                try_in("wren", "wrong")
            assert try_in("wren", GOOD)[0] == 302
