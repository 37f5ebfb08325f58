"""A test message over a real SMTP server on this machine, and what its answers are called."""

import socket
from typing import Any

import pytest
from django.core.mail.backends.locmem import EmailBackend

from resupply.delivery.mail_check import SMTP, mail_settings, send_message
from resupply.rules.sending import Outcome
from resupply.web.manager.mail_words import KEPT, told
from tests.delivery.test_mail import Sink, sink

__all__ = ["sink"]  # the fixture


def test_the_settings_are_said_without_the_password(settings: Any) -> None:
    settings.EMAIL_BACKEND, settings.EMAIL_HOST, settings.EMAIL_PORT = SMTP, "mail.clinic.example", 587
    settings.EMAIL_HOST_USER, settings.EMAIL_HOST_PASSWORD = "desk", "a secret word"
    settings.EMAIL_USE_TLS, settings.EMAIL_USE_SSL = True, False
    said = mail_settings()
    assert (said.server, said.line, said.user) == ("mail.clinic.example:587", "starttls", "desk")
    assert "secret" not in repr(said)
    settings.EMAIL_USE_TLS, settings.EMAIL_USE_SSL = False, True
    assert mail_settings().line == "tls"
    settings.EMAIL_BACKEND = f"{EmailBackend.__module__}.{EmailBackend.__qualname__}"
    assert mail_settings().line == "files"


def test_a_message_goes_the_way_of_every_other(sink: Sink, settings: Any) -> None:
    settings.CLINIC_NAME = "Clinic of the test"
    assert send_message("ada@clinic.example").outcome is Outcome.ACCEPTED
    (mail,) = sink.mails
    assert (mail["To"], mail["From"]) == ("ada@clinic.example", "demo clinic <desk@clinic.example>")
    assert mail["Subject"] == "Clinic of the test: a test message"
    assert mail["Message-ID"].endswith("@clinic.example>")
    body = mail.get_body(preferencelist=("plain",))
    assert body is not None
    assert "It arrived, so it does." in body.get_content()


@pytest.mark.parametrize(
    ("field", "reply", "title"),
    [
        ("sender_answer", "550 5.7.1 not you", "The mail server refused the sender."),
        ("recipient_answer", "550 5.1.1 nobody", "The mail server refused the address you wrote to."),
        ("data_answer", "554 5.6.0 no", "The mail server refused the message itself."),
    ],
    ids=["sender", "address", "message"],
)
def test_the_step_at_which_a_server_refuses_is_named(sink: Sink, field: str, reply: str, title: str) -> None:
    setattr(sink, field, reply)
    answer = send_message("ada@clinic.example")
    said = told(answer.outcome, answer.detail, mail_settings())
    assert (said.kind, said.title) == ("alarm", title)
    assert f"It answered {reply[:9]}." in said.text
    assert said.text.endswith(KEPT)


def test_a_server_that_is_not_there_or_wants_what_it_does_not_offer(sink: Sink, settings: Any) -> None:
    settings.EMAIL_USE_TLS = True  # the sink offers no STARTTLS
    answer = send_message("ada@clinic.example")
    assert told(answer.outcome, answer.detail, mail_settings()).title.startswith("The server does not do")
    settings.EMAIL_USE_TLS = False
    with socket.create_server(("127.0.0.1", 0)) as taken:
        settings.EMAIL_PORT = taken.getsockname()[1]
    answer = send_message("ada@clinic.example")
    assert (answer.outcome, answer.detail) == (Outcome.UNREACHABLE, "ConnectionRefusedError")
    assert "port in EMAIL_URL" in told(answer.outcome, answer.detail, mail_settings()).text
