"""Limits of a session, forms sent too late, sign-ins listed and ended, fresh proof, the second step."""

import time
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
import time_machine
from allauth.mfa.models import Authenticator
from allauth.mfa.totp.internal.auth import format_hotp_value, hotp_value
from django.test import Client
from django.urls import reverse

from clinic.accounts.models import AccountAct, SignIn, User
from tests.cast import Cast

pytestmark = pytest.mark.django_db
PASSWORD = "a lamp, a stair, a river"
NOW = datetime(2026, 11, 25, 17, 0, tzinfo=UTC)


def at(minutes: float) -> Any:
    return time_machine.travel(NOW + timedelta(minutes=minutes), tick=False)


@pytest.fixture
def ada(cast: Cast) -> User:
    user = cast.administrator.user
    user.set_password(PASSWORD)
    user.save()
    return user


def enter(user: User, client: Client | None = None, there: str = "/") -> Client:
    client = client or Client()
    client.post(reverse("login"), {"username": user.username, "password": PASSWORD, "next": there})
    return client


def code_of(user: User) -> str:
    """What an authenticator app shows now: RFC 6238 with the secret that was scanned."""
    from clinic.accounts.adapter import SecondSteps

    row = Authenticator.objects.get(user=user, type="totp")
    secret = SecondSteps().decrypt(row.data["secret"])
    return str(format_hotp_value(hotp_value(secret, int(time.time()) // 30)))


def add_app(client: Client) -> list[str]:
    """Set up an app in a session; returns the recovery codes that are shown."""
    secret = client.get(reverse("second_app")).context["secret"].replace(" ", "")
    assert secret not in str(dict(client.session))  # it lies there encrypted
    code = format_hotp_value(hotp_value(secret, int(time.time()) // 30))
    answer = client.post(reverse("second_app"), {"code": code})
    assert answer.status_code == 200
    return list(answer.context["codes"])


def test_idle_and_absolute_limits(ada: User, settings: Any) -> None:
    with at(0):
        client = enter(ada)
    with at(14):
        assert client.get("/").status_code == 200
    with at(28):
        assert client.get("/").status_code == 200  # 14 minutes after the last
    with at(43.5):
        assert client.get("/").status_code == 302
        assert SignIn.objects.get(user=ada).ended_at is not None
        client = enter(ada)
    settings.SESSION_IDLE_MINUTES = 10_000
    with at(43.5 + 12 * 60):
        assert client.get("/").status_code == 302


def test_a_form_sent_too_late_waits_for_the_same_person(ada: User, cast: Cast) -> None:
    there = reverse("desk:find")
    with at(0):
        client = enter(ada)
    with at(20):
        answer = client.post(there, {"q": "Brandt", "password": "secret"})
        assert answer["Location"] == f"{reverse('login')}?next={reverse('kept_form')}"
        assert "Brandt" not in str(dict(client.session))
        enter(ada, client)
        shown = client.get(reverse("kept_form"))
        assert shown.context["kept"].path == there
        assert shown.context["kept"].fields == (("q", "Brandt"),)
        assert client.get(reverse("kept_form")).status_code == 302  # once


@pytest.mark.parametrize(("who", "minutes"), [("manager", 21), ("administrator", 31)])
def test_nobody_else_sees_it_and_not_for_long(ada: User, cast: Cast, who: str, minutes: int) -> None:
    with at(0):
        client = enter(ada)
    with at(20):
        client.post(reverse("desk:find"), {"q": "Brandt"})
    with at(minutes):
        client.force_login(cast.user(who))
        assert client.get(reverse("kept_form")).status_code == 302
        assert "kept" not in client.session


def test_sign_ins_are_listed_and_ended(ada: User, cast: Cast) -> None:
    here, elsewhere = enter(ada), enter(ada)
    rows = here.get(reverse("your_sign_in")).context["here"]
    assert len(rows) == 2
    other = next(row for row in rows if row.session_key == elsewhere.session.session_key)
    strange = Client()
    strange.force_login(cast.desk.user)
    strange.post(reverse("sign_in_end", args=[other.public_id]))
    assert elsewhere.get("/").status_code == 200  # of a colleague, nobody ends it here
    here.post(reverse("sign_in_end", args=[other.public_id]))
    assert elsewhere.get("/").status_code == 302
    third = enter(ada)
    here.post(reverse("sign_ins_end"))
    assert (here.get("/").status_code, third.get("/").status_code) == (200, 302)
    here.post(reverse("logout"))
    assert not SignIn.objects.filter(user=ada, ended_at=None).exists()


def test_a_new_password_ends_what_is_signed_in_elsewhere(ada: User) -> None:
    here, elsewhere = enter(ada), enter(ada)
    new = "a kettle, a window, an orchard"
    sent = {"old_password": PASSWORD, "new_password1": new, "new_password2": new}
    assert here.post(reverse("password_change"), sent).status_code == 302
    assert (here.get("/").status_code, elsewhere.get("/").status_code) == (200, 302)
    assert [row.session_key for row in SignIn.objects.filter(user=ada, ended_at=None)] == [
        here.session.session_key
    ]


def test_what_matters_asks_for_a_fresh_proof(ada: User) -> None:
    there = reverse("manager:overdue_csv")
    with at(0):
        client = enter(ada)
        assert client.get(there).status_code == 200
    with at(11):
        answer = client.get(there)
        proof = f"{reverse('prove')}?next={there}"
        assert answer["Location"] == proof
        assert client.post(proof, {"password": "wrong", "next": there}).status_code == 422
        assert client.get(there).status_code == 302
        before = client.session.session_key
        assert client.post(proof, {"password": PASSWORD, "next": there})["Location"] == there
        assert client.session.session_key != before  # what was copied before opens nothing
        assert SignIn.objects.get(user=ada, ended_at=None).session_key == client.session.session_key
        assert client.get(there).status_code == 200
        assert client.post(proof).status_code == 422  # sent with nothing in it
        away = client.post(proof, {"password": PASSWORD, "next": "https://elsewhere.example/"})
        assert away["Location"] == "/"


def test_without_a_second_step_nothing_else_opens(ada: User, settings: Any) -> None:
    settings.SECOND_STEP = True
    client = enter(ada)
    mine = reverse("your_sign_in")
    for name in ("home", "desk:find", "manager:overdue"):
        assert client.get(reverse(name))["Location"] == mine
    assert client.get(mine).status_code == 200
    app, ends = reverse("second_app"), "The app you have now no longer counts"
    assert ends not in client.get(app).content.decode()
    codes = add_app(client)
    assert ends in client.get(app).content.decode()  # there is one app at a time
    assert len(set(codes)) == 10
    assert client.get("/").status_code == 200
    stored = str(list(Authenticator.objects.values_list("data", flat=True)))
    assert all(code.replace(" ", "") not in stored for code in codes)
    assert [act.act for act in AccountAct.objects.order_by("pk")] == ["factor_added", "codes_made"]


def test_the_second_step_is_asked_for_and_a_code_is_good_once(ada: User, settings: Any) -> None:
    settings.SECOND_STEP = True
    with at(0):
        codes = add_app(enter(ada))
    with at(5):
        client = enter(ada, there="/stock/")
        assert client.get("/").status_code == 302  # the password alone opens nothing
        step = reverse("second_step")
        assert client.post(step, {"code": "000000"}).status_code == 422
        code = code_of(ada)
        assert client.post(step, {"code": code})["Location"] == "/stock/"
        assert client.get("/").status_code == 200
        again = enter(ada)
        assert again.post(step, {"code": code}).status_code == 422
        assert again.post(step, {"code": codes[0]}).status_code == 302
        third = enter(ada)
        assert third.post(step, {"code": codes[0]}).status_code == 422
    with at(11):
        assert third.post(step, {"code": codes[1]})["Location"] == reverse("login")  # it waits five minutes


def test_wrong_codes_lock_like_wrong_passwords(ada: User, settings: Any) -> None:
    add_app(enter(ada))
    client, step = enter(ada), reverse("second_step")
    answers = [client.post(step, {"code": "12"}).status_code for _ in range(11)]
    assert answers[0] == 422
    assert answers[-1] == 429
    assert client.post(step, {"code": code_of(ada)}).status_code == 429
    assert "_auth_user_id" not in client.session
