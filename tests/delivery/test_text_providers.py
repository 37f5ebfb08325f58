"""Where texts go: a gateway over HTTPS and what its answers mean, and for trials a folder and the console."""

import io
import json
import os
import socket
import ssl
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from resupply.delivery.texts import (
    TextCarrier,
    gateway,
    list_texts,
    open_provider,
)
from resupply.delivery.texts.providers import ConsoleProvider, FolderProvider, Text
from resupply.rules.sending import Answer, Letter, Note, Outcome
from tests.delivery.gateways import Gateway
from tests.delivery.test_mail import note

SECRET = "a-secret-of-the-gateway-account"
PHONE = "+1 303 555 0100"


@pytest.fixture(autouse=True)
def sender(settings: Any) -> None:
    settings.TEXT_SENDER_NAME, settings.TEXT_SENDER_NUMBER = "demo clinic", "+13035550100"
    settings.PUBLIC_URL, settings.PHONE_REGION = "https://clinic.example", "US"


# --- a real gateway -----------------------------------------------------------------------------------------


@pytest.fixture
def near(settings: Any) -> Iterator[Gateway]:
    """The gateway the settings name."""
    with Gateway() as chosen:
        settings.TEXT_URL, settings.TEXT_SECRET = chosen.url, SECRET
        yield chosen


def ask(**over: str) -> Note:
    return note(**{"address": "303-555-0142", "token": "h5Xk", "step": "ask"} | over)


def send(*notes: Note) -> list[Answer]:
    carrier = TextCarrier()
    try:
        return [carrier.send(carrier.compose(each)) for each in notes]
    finally:
        carrier.close()


def test_what_arrives(near: Gateway) -> None:
    (answer,) = send(ask())
    assert answer == Answer(Outcome.ACCEPTED, reference="ref-+13035550142")
    (taken,) = near.requests
    assert taken.path == "/v1/texts"
    assert set(taken.body) == {"to", "from", "text"}
    assert (taken.body["to"], taken.body["from"]) == ("+13035550142", "+13035550100")
    assert "https://clinic.example/ask/h5Xk/" in taken.body["text"]
    assert taken.headers["authorization"] == f"Bearer {SECRET}"
    assert taken.headers["content-type"] == "application/json"
    assert ask().key not in json.dumps(taken.body) + json.dumps(taken.headers)


def test_every_attempt_of_a_message_carries_one_key_and_other_messages_others(near: Gateway) -> None:
    send(ask(), ask(token="another-copy"))
    send(ask())
    send(ask(key="f2a7c1de-0000-4000-8000-000000000001"))
    keys = [taken.headers["idempotency-key"] for taken in near.requests]
    assert len(keys) == 4
    assert len(set(keys[:3])) == 1
    assert keys[3] != keys[0]
    assert len(near.texts) == 2


def test_a_batch_shares_one_connection(near: Gateway) -> None:
    assert [answer.outcome for answer in send(ask(), ask(step="due"), ask(step="overdue_1"))] == [
        Outcome.ACCEPTED
    ] * 3
    assert near.connections == 1


@pytest.mark.parametrize(
    ("status", "content", "outcome", "detail"),
    [
        (200, {"reference": "x"}, Outcome.ACCEPTED, ""),
        (202, b"thanks", Outcome.ACCEPTED, ""),
        (400, {"code": "unknown_number"}, Outcome.REFUSED, "HTTP 400 unknown_number"),
        (422, {"code": "+13035550142 is bad"}, Outcome.REFUSED, "HTTP 422"),
        (410, [], Outcome.REFUSED, "HTTP 410"),
        (408, {}, Outcome.LATER, "HTTP 408"),
        (409, {}, Outcome.LATER, "HTTP 409"),
        (425, {}, Outcome.LATER, "HTTP 425"),
        (429, {"code": "too_many"}, Outcome.LATER, "HTTP 429 too_many"),
        (500, b"<html>", Outcome.LATER, "HTTP 500"),
        (503, {}, Outcome.LATER, "HTTP 503"),
        (401, {}, Outcome.UNREACHABLE, "HTTP 401"),
        (402, {}, Outcome.UNREACHABLE, "HTTP 402"),
        (403, {}, Outcome.UNREACHABLE, "HTTP 403"),
        (404, {}, Outcome.UNREACHABLE, "HTTP 404"),
        (302, {}, Outcome.UNREACHABLE, "HTTP 302"),
    ],
)
def test_answers(near: Gateway, status: int, content: Any, outcome: Outcome, detail: str) -> None:
    near.answer = lambda taken: (status, content)
    (answer,) = send(ask())
    assert (answer.outcome, answer.detail) == (outcome, detail)
    assert len(near.requests) == 1  # a redirection is not followed


@pytest.mark.parametrize("reference", [7, "", "two words", "x" * 129, "caf\u00e9", None, {"a": 1}])
def test_a_reference_that_cannot_be_one_is_none(near: Gateway, reference: Any) -> None:
    near.answer = lambda taken: (202, {"reference": reference})
    assert send(ask()) == [Answer(Outcome.ACCEPTED)]


def test_cut_after_the_text_was_taken_is_unsure_and_another_attempt_sends_no_second_text(
    near: Gateway,
) -> None:
    near.fault = lambda taken: len(near.requests) == 1
    assert [answer.outcome for answer in send(ask())] == [Outcome.UNSURE]
    assert [answer.outcome for answer in send(ask())] == [Outcome.ACCEPTED]
    assert len(near.requests) == 2
    assert len(near.texts) == 1


def test_a_kept_connection_that_went_stale_is_opened_anew_under_the_same_key(near: Gateway) -> None:
    near.fault = lambda taken: len(near.requests) == 2
    outcomes = [answer.outcome for answer in send(ask(), ask(key="f2a7c1de-0000-4000-8000-000000000001"))]
    assert outcomes == [Outcome.ACCEPTED, Outcome.ACCEPTED]
    assert len(near.requests) == 3
    assert len(near.texts) == 2


def test_a_gateway_that_is_too_slow_is_unsure(near: Gateway, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(gateway, "ANSWER_SECONDS", 0.1)
    done = threading.Event()
    near.fault = lambda taken: done.wait(5)
    began = time.monotonic()
    (answer,) = send(ask())
    done.set()
    assert answer.outcome is Outcome.UNSURE
    assert time.monotonic() - began < 2


def test_an_answer_that_drips_is_broken_off(settings: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each byte comes within the time-out of a read, the whole does not."""
    monkeypatch.setattr(gateway, "ANSWER_SECONDS", 0.2)
    listener = socket.create_server(("127.0.0.1", 0))

    def drip() -> None:
        connection, _ = listener.accept()
        with connection:
            try:
                for letter in b"HTTP/1.1 200 OK\r\n" + b"X: y\r\n" * 100:
                    connection.sendall(bytes([letter]))
                    time.sleep(0.02)
            except OSError:
                return

    thread = threading.Thread(target=drip, daemon=True)
    thread.start()
    settings.TEXT_URL = f"http://127.0.0.1:{listener.getsockname()[1]}/"
    assert [answer.outcome for answer in send(ask())] == [Outcome.UNSURE]
    thread.join(2)
    listener.close()
    assert not thread.is_alive()


def test_no_gateway_is_unreachable(settings: Any) -> None:
    with socket.create_server(("127.0.0.1", 0)) as probe:
        settings.TEXT_URL = f"http://127.0.0.1:{probe.getsockname()[1]}/"
    assert send(ask()) == [Answer(Outcome.UNREACHABLE, "ConnectionRefusedError")]


def test_a_certificate_that_nobody_vouches_for_is_unreachable_and_nothing_is_sent(near: Gateway) -> None:
    """A server without TLS stands for one with a wrong certificate: the handshake fails, no text leaves."""
    provider = gateway.GatewayProvider(near.url.replace("http://", "https://"), secret=SECRET)
    answer = provider.send(Text("k", "+13035550142", "+13035550100", "Hello"))
    assert answer.outcome is Outcome.UNREACHABLE
    assert near.requests == []
    assert ssl.create_default_context().verify_mode is ssl.CERT_REQUIRED


@pytest.mark.parametrize(
    ("address", "text", "detail"),
    [
        ("555 0100", "Hello", "not a number for texts: unknown"),
        ("", "Hello", "not a number for texts: empty"),
        (PHONE, "a" * 307, "too long: 3 segments of 307 units"),
        (PHONE, "í" + "a" * 134, "too long: 3 segments of 135 units; í made it UCS-2"),
        (PHONE, "[" * 154, "too long: 3 segments of 308 units; [ count twice"),
    ],
)
def test_what_cannot_go_is_refused_before_the_gateway(
    near: Gateway, address: str, text: str, detail: str
) -> None:
    letter = Letter("k", address, "en", "", text, "")
    assert TextCarrier().send(letter) == Answer(Outcome.REFUSED, detail)
    assert near.requests == []


# --- trials -------------------------------------------------------------------------------------------------


def test_the_folder_keeps_one_file_a_message(tmp_path: Path, settings: Any) -> None:
    settings.TEXT_URL = f"file://{tmp_path}/texts"
    first, again, other = send(ask(), ask(), ask(key="f2a7c1de-0000-4000-8000-000000000001"))
    assert first == again
    assert first.reference != other.reference
    files = sorted((tmp_path / "texts").iterdir())
    assert len(files) == 2
    kept = json.loads(files[0].read_text())
    assert (kept["to"], kept["key"]) == ("+13035550142", ask().key)


def test_the_folder_is_listed_newest_first_for_the_demos_page(tmp_path: Path, settings: Any) -> None:
    settings.TEXT_URL = f"file://{tmp_path}/texts"
    assert list_texts() == []
    send(ask(), ask(key="f2a7c1de-0000-4000-8000-000000000001", address="303-555-0143"))
    older = tmp_path / "texts" / f"{send(ask())[0].reference}.json"
    os.utime(older, (0, 0))
    listed = list_texts()
    assert [text.to for text in listed] == ["+13035550143", "+13035550142"]
    assert [text.segments for text in listed] == [1, 1]
    assert listed[1].sent_at.year == 1970
    assert "https://clinic.example/ask/h5Xk/" in listed[0].body
    settings.TEXT_URL = "console:"
    assert list_texts() == []


def test_a_folder_that_cannot_be_written_is_unreachable(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    answer = FolderProvider(tmp_path / "file" / "texts").send(Text("k", "+1", "+1", "Hello"))
    assert answer.outcome is Outcome.UNREACHABLE


def test_the_console_shows_the_text() -> None:
    stream = io.StringIO()
    assert ConsoleProvider(stream).send(Text("k", "+13035550142", "+1", "Hello")).outcome is Outcome.ACCEPTED
    assert "Hello" in stream.getvalue()


def test_an_address_opens_its_provider(tmp_path: Path) -> None:
    assert isinstance(open_provider(f"file://{tmp_path}/a%20b"), FolderProvider)
    assert isinstance(open_provider("console:"), ConsoleProvider)
    assert isinstance(open_provider("https://gateway.example/", secret="s"), gateway.GatewayProvider)
