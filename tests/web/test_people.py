"""Invitations, roles, leavers, and a lost second step: what an administrator does, and what then holds."""

import json
import threading
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
import time_machine
from allauth.mfa.models import Authenticator
from django.core import mail
from django.db import connection, transaction
from django.db.utils import ProgrammingError
from django.test import Client
from django.urls import reverse

from clinic.accounts import letters, people, second
from clinic.accounts.models import AccountAct, Invitation, User
from resupply import clock
from resupply.models import Location, Staff
from resupply.queries.seal_check import check
from resupply.services.seals import seal
from tests.cast import Cast
from tests.waiting import wait_for_a_waiter

pytestmark = pytest.mark.django_db
GOOD = "nine quiet rooms"
UserChange: Any = User.changes.rel.related_model  # type: ignore[attr-defined] # made by pghistory
NOW = datetime(2026, 11, 25, 17, 0, tzinfo=UTC)


@pytest.fixture
def ada(cast: Cast) -> Client:
    client = Client()
    client.force_login(cast.administrator.user)
    return client


@pytest.fixture
def link(ada: Client, cast: Cast, settings: Any) -> str:
    """The path of an invitation to the desk of the North room, as it came by mail."""
    settings.EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
    sent = {
        "name": "Ilse Varga",
        "email": "ilse@clinic.example",
        "role": "desk",
        "locations": [cast.north.pk],
    }
    assert ada.post(reverse("people_invite"), sent).status_code == 302
    (letter,) = mail.outbox
    assert letter.to == ["ilse@clinic.example"]
    path = "/join/" + str(letter.body).split("/join/")[1].split()[0]
    assert path.split("/")[2] not in str(list(Invitation.objects.values()))  # only its hash is kept
    return path


def take(path: str, password: str = GOOD, username: str = "ilse", visitor: Client | None = None) -> int:
    sent = {"username": username, "password": password, "again": password}
    return (visitor or Client()).post(path, sent).status_code


def test_an_invitation_makes_one_account_with_role_and_location(link: str, cast: Cast) -> None:
    assert Client().get(link).status_code == 200
    for poor in ("short", "password1234", "ilse@clinic.example", "123456123456", "Juniper-Bend-2026!"):
        assert take(link, poor) == 422
    assert take(link, username="INES") == 422  # somebody else's name
    assert take(link, username="ｉｎｅｓ") == 422  # the same, in letters of full width: it is kept as ines
    visitor = Client()
    assert take(link, visitor=visitor) == 302
    assert "Welcome, your sign-in is made." in visitor.get(reverse("login")).content.decode()
    staff = Staff.objects.get(user__username="ilse")
    assert (staff.role, list(staff.locations.all())) == ("desk", [cast.north])
    assert staff.user.password.startswith("argon2")
    assert take(link, username="again") == Client().get(link).status_code == 404
    assert [act.act for act in AccountAct.objects.order_by("pk")] == ["invited", "joined"]


def test_it_ends_after_72_hours_when_taken_back_and_with_a_newer_one(ada: Client, cast: Cast) -> None:
    by, sent = cast.administrator.user, ("Ilse Varga", "ilse@clinic.example", "desk", [])
    _, old = people.invite(*sent, by=by, now=NOW)
    for hours, found in ((71.9, True), (72, False)):
        assert (people.of_token(old, now=NOW + timedelta(hours=hours)) is not None) is found
    made, newer = people.invite(*sent, by=by, now=NOW)
    assert people.of_token(old, now=NOW) is None
    with time_machine.travel(NOW):
        ada.post(reverse("people_withdraw", args=[made.public_id]))
        assert Client().get(reverse("join", args=[newer])).status_code == 404


def test_one_that_was_just_taken_is_not_withdrawn(link: str, cast: Cast, ada: Client) -> None:
    read_before = Invitation.objects.get()
    assert take(link) == 302
    assert not people.withdraw(read_before, by=cast.administrator.user, now=clock.now())
    assert Invitation.objects.get().withdrawn_at is None
    assert [act.act for act in AccountAct.objects.order_by("pk")] == ["invited", "joined"]


@pytest.mark.django_db(transaction=True)
def test_two_administrators_cannot_shut_each_other_out(cast: Cast) -> None:
    one, other = cast.administrator, cast.manager
    Staff.objects.filter(pk=other.pk).update(role="administrator")
    read_before = Staff.objects.select_related("user").get(pk=other.pk)
    met: list[type[Exception]] = []

    def second_one() -> None:
        try:
            people.shut_out(read_before, by=cast.administrator.user, now=NOW)
        except people.LastAdministratorError as error:
            met.append(type(error))
        finally:
            connection.close()

    with transaction.atomic():
        people.shut_out(one, by=cast.manager.user, now=NOW)
        thread = threading.Thread(target=second_one)
        thread.start()
        wait_for_a_waiter()
    thread.join(30)
    assert met == [people.LastAdministratorError]
    assert User.objects.get(pk=other.user.pk).is_active


def test_a_mail_that_is_not_taken_invites_nobody(ada: Client, settings: Any) -> None:
    settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
    settings.EMAIL_HOST, settings.EMAIL_PORT, settings.EMAIL_TIMEOUT = "127.0.0.1", 1, 1
    sent = {"name": "Ilse Varga", "email": "ilse@clinic.example", "role": "desk"}
    page = ada.post(reverse("people_invite"), sent, follow=True)
    assert b"Nobody was invited" in page.content
    assert b'value="ilse@clinic.example"' in page.content  # what was typed is still there
    assert Invitation.objects.get().withdrawn_at is not None


def act(client: Client, staff: Staff, what: str) -> None:
    assert client.post(reverse("people_act", args=[staff.pk, what])).status_code == 302


def test_leavers_are_shut_out_at_once_and_may_come_back(ada: Client, cast: Cast) -> None:
    ines = Client()
    ines.force_login(cast.desk.user)
    assert ines.get("/").status_code == 200
    act(ada, cast.desk, "shut-out")
    assert ines.get("/").status_code == 302
    assert not cast.desk.user.sign_ins.filter(ended_at=None).exists()
    act(ada, cast.desk, "let-in")
    assert ines.get("/").status_code == 302  # the old session stays ended
    assert f"{cast.desk.user.get_username()} is let in again" in ada.get(reverse("people")).content.decode()
    act(ada, cast.administrator, "shut-out")  # the last administrator stays
    assert User.objects.get(pk=cast.administrator.user.pk).is_active
    assert [one.act for one in AccountAct.objects.order_by("pk")] == ["shut_out", "let_in"]


def test_sessions_ended_and_a_second_step_reset_by_an_administrator(ada: Client, cast: Cast) -> None:
    ines = Client()
    ines.force_login(cast.desk.user)
    act(ada, cast.desk, "end")
    assert ines.get("/").status_code == 302
    ines.force_login(cast.desk.user)
    second.set_app(cast.desk.user, "JBSWY3DPEHPK3PXP", now=NOW)
    act(ada, cast.desk, "reset")
    assert ines.get("/").status_code == 302
    assert not Authenticator.objects.filter(user=cast.desk.user).exists()


def test_another_role_holds_from_the_next_page(ada: Client, cast: Cast) -> None:
    theo = Client()
    theo.force_login(cast.therapist.user)
    assert theo.get(reverse("manager:rooms")).status_code == 403
    there = reverse("people_change", args=[cast.therapist.pk])
    assert ada.post(there, {"role": "manager", "locations": [cast.south.pk]}).status_code == 302
    assert theo.get(reverse("manager:rooms")).status_code == 200
    Location.objects.filter(pk=cast.south.pk).update(closed_on=NOW.date())
    page = ada.get(there).text  # a closed location of theirs stays on offer: without one they would have all
    assert f'value="{cast.south.pk}"' in page
    assert ada.post(there, {"role": "therapist", "locations": [cast.south.pk]}).status_code == 302
    assert list(cast.therapist.locations.all()) == [cast.south]
    mine = reverse("people_change", args=[cast.administrator.pk])
    assert ada.post(mine, {"role": "desk"}).status_code == 422


def test_it_asks_for_a_fresh_proof_and_keeps_what_was_typed(cast: Cast) -> None:
    client = Client()
    with time_machine.travel(NOW, tick=False):
        client.force_login(cast.administrator.user)
    with time_machine.travel(NOW + timedelta(minutes=11), tick=False):
        sent = {"name": "Ilse Varga", "email": "ilse@clinic.example", "role": "desk"}
        answer = client.post(reverse("people_invite"), sent)
        assert answer["Location"] == f"{reverse('prove')}?next={reverse('kept_form')}"
        assert dict(client.get(reverse("kept_form")).context["kept"].fields) == sent
        for name in ("sign_ins_end", "recovery_codes"):
            assert client.post(reverse(name))["Location"].startswith(reverse("prove"))
    assert not Invitation.objects.exists()


def test_what_was_done_to_accounts_is_kept_and_sealed(ada: Client, cast: Cast) -> None:
    """By the database, whoever asks it: rows of these tables cannot be changed back or deleted."""
    ines = Client()
    ines.force_login(cast.desk.user)
    act(ada, cast.desk, "shut-out")
    changes = UserChange.objects.filter(pgh_obj=cast.desk.user).order_by("pk")
    assert list(changes.values_list("pgh_label", "is_active")) == [("insert", True), ("update", False)]
    assert not {"password", "last_login"} & {field.name for field in UserChange._meta.fields}
    letters.ask_link(None, address="192.0.2.7", now=NOW)
    for statement in (
        "UPDATE accounts_accountact SET about = 'nothing'",
        "DELETE FROM accounts_accountact",
        "DELETE FROM accounts_userchange",
        "UPDATE accounts_signin SET address = '192.0.2.99'",
        "DELETE FROM accounts_signin",
        "UPDATE accounts_letter SET \"to\" = 'other@clinic.example'",
    ):
        with pytest.raises(ProgrammingError), transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(statement)
    body = json.loads(seal(now=NOW).body)  # type: ignore[union-attr] # there is something to seal
    assert body["tables"]["accounts_accountact"]["rows"] == AccountAct.objects.count()
    assert body["tables"]["accounts_userchange"]["rows"] == UserChange.objects.count()
    assert check().problems == []
    with connection.cursor() as cursor:
        cursor.execute("SET LOCAL session_replication_role = replica")
        cursor.execute("UPDATE accounts_accountact SET acted_by_id = %s", [cast.desk.user.pk])
        cursor.execute("SET LOCAL session_replication_role = origin")
    assert [one.where for one in check().problems] == ["accounts_accountact"]
