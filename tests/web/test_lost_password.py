"""A lost password, and letters about an account: what goes to whom, what a link opens, what nobody learns."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
import time_machine
from allauth.mfa.models import Authenticator
from django.core import mail
from django.core.cache import cache
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from clinic.accounts import letters, passwords, second
from clinic.accounts.models import AccountAct, Letter, SignIn, User
from tests.cast import Cast

pytestmark = pytest.mark.django_db
NOW = datetime(2026, 11, 25, 17, 0, tzinfo=UTC)
NEW = "a kettle, a window, an orchard"
HOUR = timedelta(hours=1)


@pytest.fixture(autouse=True)
def office(settings: Any) -> Iterator[time_machine.Traveller]:
    """Noon, with a mail server and nothing counted yet."""
    settings.EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
    settings.PUBLIC_URL = "https://clinic.example"
    cache.clear()
    with time_machine.travel(NOW, tick=False) as clock:
        yield clock


@pytest.fixture
def ines(cast: Cast) -> User:
    user = cast.desk.user
    user.email = "ines@clinic.example"
    user.set_password("a lamp, a stair, a river")
    user.save()
    return user


def ask(typed: str, where: str = "192.0.2.7") -> Any:
    return Client(REMOTE_ADDR=where).post(reverse("lost_password"), {"name": typed})


def link(typed: str = "ines@clinic.example", now: datetime = NOW) -> str:
    """The path of the link that was mailed."""
    assert ask(typed).status_code == 200
    assert letters.deliver(now=now) == 1
    return "/new-password/" + str(mail.outbox[-1].body).split("/new-password/")[1].split()[0]


def choose(path: str, password: str = NEW, visitor: Client | None = None) -> int:
    return (visitor or Client()).post(path, {"password": password, "again": password}).status_code


def test_a_link_replaces_the_password_once_and_ends_what_is_signed_in(ines: User, settings: Any) -> None:
    client = Client()
    client.force_login(ines)
    second.set_app(ines, "JBSWY3DPEHPK3PXP", now=NOW)
    letters.deliver(now=NOW)
    path = link("INES@clinic.example")
    assert mail.outbox[-1].to == ["ines@clinic.example"]
    assert path.split("/")[2] not in str(list(Letter.objects.values()))  # only its hash is kept
    assert Client().get(path).status_code == 200
    assert client.get("/").status_code == 200  # asking changes nothing
    assert choose(path, "short") == choose(path, "ines@clinic.example") == 422
    visitor = Client()
    assert choose(path, visitor=visitor) == 302
    assert "Your password is changed." in visitor.get(reverse("login")).content.decode()
    assert (choose(path), Client().get(path).status_code) == (404, 404)
    assert client.get("/").status_code == 302
    assert not SignIn.objects.filter(user=ines, ended_at=None).exists()
    fresh = Client()
    sent = {"username": ines.username, "password": NEW}
    assert fresh.post(reverse("login"), sent)["Location"] == reverse("second_step")  # it stays
    acts = AccountAct.objects.order_by("pk").values_list("act", flat=True)
    assert list(acts) == ["factor_added", "password_mailed", "password_replaced"]


def test_a_link_ends_after_half_an_hour_and_with_what_comes_after_it(ines: User) -> None:
    path = link()
    with time_machine.travel(NOW + timedelta(minutes=29.9), tick=False):
        assert Client().get(path).status_code == 200
    with time_machine.travel(NOW + timedelta(minutes=30), tick=False):
        assert (Client().get(path).status_code, choose(path)) == (404, 404)
    newer = link()
    assert (Client().get(path).status_code, Client().get(newer).status_code) == (404, 200)
    passwords.set_address(ines, "ines@elsewhere.example", now=NOW)
    assert Client().get(newer).status_code == 404
    ask(ines.username)
    passwords.changed(ines, this_session="", now=NOW)
    mail.outbox.clear()
    letters.deliver(now=NOW)
    assert "/new-password/" not in str([letter.body for letter in mail.outbox])  # not sent, as not needed
    User.objects.filter(pk=ines.pk).update(is_active=False)
    assert ask(ines.username).status_code == 200
    assert letters.deliver(now=NOW) == 0


def test_nobody_learns_who_has_an_account(ines: User) -> None:
    """The same page after the same statements; what goes out, goes out later, from elsewhere."""
    pages, statements = [], []
    for typed in ("ines@clinic.example", "nobody@clinic.example", "nemo"):
        with CaptureQueriesContext(connection) as seen:
            answer = ask(typed)
        pages.append((answer.status_code, answer.content))
        statements.append([one["sql"].split()[0] for one in seen.captured_queries])
    assert len(set(pages)) == 1
    assert statements[0] == statements[1] == statements[2]
    assert mail.outbox == []
    assert "nemo" not in str(list(Letter.objects.values()))
    assert letters.deliver(now=NOW) == 1


def test_asking_is_limited_by_place_by_name_and_by_account(ines: User) -> None:
    for _ in range(5):
        assert ask("ines@clinic.example").status_code == 200  # it is not told
    assert Letter.objects.count() == passwords.FOR_ONE_NAME.most
    for _ in range(6):
        last = ask("somebody").status_code
    assert last == 429
    assert ask("somebody", where="192.0.2.8").status_code == 200
    for _ in range(9):
        letters.ask_link(ines, address="", now=NOW)
    assert letters.deliver(now=NOW) == letters.MOST_LINKS
    assert letters.deliver(now=NOW + timedelta(minutes=29)) == 0


def test_the_owner_is_told_of_changes_without_a_secret(ines: User, cast: Cast) -> None:
    client = Client()
    client.force_login(ines)
    second.set_app(ines, "JBSWY3DPEHPK3PXP", now=NOW)
    codes = second.new_codes(ines, now=NOW)
    Authenticator.objects.create(user=ines, type=Authenticator.Type.WEBAUTHN, data={"name": "a key"})
    assert second.remove(ines, second.of(ines)[0], now=NOW)
    second.reset(ines, by=cast.administrator.user, now=NOW)
    client.force_login(ines)
    sent = {"old_password": "a lamp, a stair, a river", "new_password1": NEW, "new_password2": NEW}
    assert client.post(reverse("password_change"), sent).status_code == 302
    assert client.post(reverse("own_address"), {"email": "ines@home.example"}).status_code == 302
    assert letters.deliver(now=NOW) == 7
    assert [one.to[0] for one in mail.outbox[:5]] == ["ines@clinic.example"] * 5
    assert {one.to[0] for one in mail.outbox[5:]} == {"ines@clinic.example", "ines@home.example"}
    whole = " ".join(f"{one.subject} {one.body}" for one in mail.outbox)
    for word in ("Second step added", "New recovery codes", "Second step removed", "Second step reset",
                 "Password changed", "E-mail address changed", "25 November 2026, 17:00 UTC",
                 "https://clinic.example/your-sign-in/", "If it was not"):  # fmt: skip
        assert word in whole
    assert not any(secret in whole for secret in (*codes, "JBSWY3DPEHPK3PXP", NEW, "/new-password/"))


def test_who_had_no_address_is_not_told_of_one_before(ines: User) -> None:
    client, page = Client(), reverse("own_address")
    client.force_login(ines)
    told = "The one you had before is told, too."
    assert told in client.post(page, {"email": "ines@home.example"}, follow=True).content.decode()
    User.objects.update(email="")
    assert told not in client.post(page, {"email": "ines@home.example"}, follow=True).content.decode()


def test_a_letter_that_is_not_taken_is_tried_again_and_ends(ines: User, settings: Any) -> None:
    settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
    settings.EMAIL_HOST, settings.EMAIL_PORT, settings.EMAIL_TIMEOUT = "127.0.0.1", 1, 1
    second.set_app(ines, "JBSWY3DPEHPK3PXP", now=NOW)
    for minutes, tries in ((0, 1), (0.9, 1), (1, 2), (2.9, 2), (3, 3)):
        assert letters.deliver(now=NOW + timedelta(minutes=minutes)) == 0
        assert Letter.objects.get().tries == tries
    settings.EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
    assert letters.deliver(now=NOW + 48 * HOUR) == 0
    assert letters.deliver(now=NOW + 47 * HOUR) == 1
    assert letters.deliver(now=NOW + 47 * HOUR) == 0
