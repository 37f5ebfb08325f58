"""Demo accounts: passwords are new at each start, and open nothing but a demo on its own machine."""

import json
from io import StringIO
from typing import Any

import pytest
from axes.exceptions import AxesBackendRequestParameterRequired
from django.contrib.auth import authenticate
from django.core.management import CommandError, call_command
from django.http import HttpRequest
from django.test import Client, RequestFactory, override_settings

from clinic.accounts.models import User
from resupply.models import Patient
from tests.builders import make_device, make_patient

pytestmark = pytest.mark.django_db


def renew() -> dict[str, str]:
    out = StringIO()
    call_command("demo_sign_ins", "--json", stdout=out)
    answer: dict[str, str] = json.loads(out.getvalue())
    return answer


def request_from(address: str) -> HttpRequest:
    return RequestFactory().post("/sign-in/", REMOTE_ADDR=address)


@pytest.fixture
def desk() -> User:
    return User.objects.create_user("desk")


def test_passwords_are_random_new_and_work_here(desk: User) -> None:
    first, second = renew(), renew()
    assert set(first) == {"desk"}
    assert first != second
    here = request_from("127.0.0.1")
    assert authenticate(here, username="desk", password=first["desk"]) is None
    assert authenticate(here, username="desk", password=second["desk"]) == desk


def test_not_from_another_machine_and_not_on_a_real_site(desk: User) -> None:
    password = renew()["desk"]
    assert authenticate(request_from("192.0.2.7"), username="desk", password=password) is None
    with pytest.raises(AxesBackendRequestParameterRequired):  # nobody signs in from nowhere
        authenticate(None, username="desk", password=password)
    with override_settings(DEMO=False):
        assert authenticate(request_from("127.0.0.1"), username="desk", password=password) is None


def test_a_real_account_is_not_held_to_that() -> None:
    user = User.objects.create_user("someone", password="correct horse battery")
    there = request_from("192.0.2.7")
    assert authenticate(there, username="someone", password="correct horse battery") == user
    assert authenticate(there, username="someone", password="wrong") is None


def test_refused_where_other_machines_can_reach_the_site(desk: User, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GRANIAN_HOST", "0.0.0.0")  # noqa: S104 - the address that must be refused
    with pytest.raises(CommandError, match="loopback"):
        renew()
    with override_settings(DEMO=False), pytest.raises(CommandError, match="DEMO=1"):
        renew()


def test_refused_without_demo_accounts() -> None:
    with pytest.raises(CommandError, match="load_demo"):
        renew()


def test_a_patient_of_the_demo_gets_a_new_link_each_time(desk: User, settings: Any) -> None:
    settings.PUBLIC_URL = "http://testserver"
    assert "patient" not in renew()
    make_patient(reference="1047", given_name="Odalys", family_name="Brandt")
    assert "patient" not in renew()  # nor for somebody who happens to have that name
    make_device(Patient.objects.get(), serial="DEMO-1047")
    first, second = renew()["patient"], renew()["patient"]
    assert first.endswith(" (born 4 Feb 1961)")
    paths = [said.partition(" ")[0].partition("testserver")[2] for said in (first, second)]
    assert [Client().get(path).status_code for path in paths] == [410, 200]
