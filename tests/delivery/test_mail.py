"""Mail: the wording, the headers, and what a real SMTP server's answers mean."""

import re
import socket
from collections.abc import Iterator
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session

from resupply.delivery.mail import MailCarrier
from resupply.delivery.mailbox import list_messages
from resupply.rules.kinds import Kind
from resupply.rules.reminders import STEPS
from resupply.rules.sending import Letter, Note, Outcome
from resupply.rules.tables import part_types

KEY = "0b6f8a4e-8a56-4c3e-9d6c-0d1f3f5a7b21"


def note(**over: str) -> Note:
    values = {
        "key": KEY,
        "address": "odalys@patients.example",
        "given_name": "Odalys",
        "language": "en",
        "step": "due",
        "phone": "+1 303 555 0100",
    }
    return Note(**values | over)


EVERY = [(language, step) for language in ("en", "es") for step in STEPS]


def words_of(letter: Letter) -> str:
    return re.sub(r"<[^>]+>", " ", f"{letter.subject}\n{letter.text}\n{letter.html}").lower()


# --- wording ------------------------------------------------------------------------------------------------

# What a reminder must not give away to whoever else reads the screen (45 CFR 164.530(c) asks for reasonable
# safeguards; US HHS guidance on messages to patients: leave little). Stems, English and Spanish.
GIVEAWAYS = (
    "apnea apnoea osa cpap bipap pap therapy terapia sleep sueño dormir snor ronqu breath respir "
    "oxygen oxígeno lung pulm disease enfermedad diagnos disorder trastorno mask máscara mascarilla "
    "cushion almohadilla pillow headgear arnés strap correa tub hose manguera filter filtro chamber "
    "cámara water agua humidif device dispositivo machine máquina equip supply supplies suministro "
    "part pieza medicare insur seguro payer prescri receta a70 a46 "
)


@pytest.mark.parametrize(("language", "step"), EVERY)
def test_the_wording_gives_nothing_away(language: str, step: str) -> None:
    text = words_of(MailCarrier().compose(note(language=language, step=step)))
    found = [stem for stem in GIVEAWAYS.split() if re.search(rf"\b{stem}", text)]
    assert not found
    for part in part_types().values():
        assert part.name.lower() not in text
        assert part.code.lower() not in text
    for kind in Kind:
        assert kind.value.replace("_", " ") not in text


@pytest.mark.parametrize(("language", "step"), EVERY)
def test_both_parts_say_whom_to_call_how_to_stop_and_leave_care_alone(language: str, step: str) -> None:
    letter = MailCarrier().compose(note(language=language, step=step))
    needed = {
        "en": [
            "Odalys",
            "+1 303 555 0100",
            "until you say yes",
            "does not change your care",
            "no more messages",
        ],
        "es": [
            "Odalys",
            "+1 303 555 0100",
            "diga que sí",
            "no cambia su tratamiento",
            "No quiere más mensajes",
        ],
    }
    for part in (letter.text, letter.html):
        for phrase in needed[language]:
            assert phrase in part
    assert f'lang="{language}"' in letter.html
    assert "style" not in letter.html
    assert "\n" not in letter.subject
    assert len(letter.subject) <= 78  # RFC 5322 section 2.1.1


def test_steps_and_languages_read_differently() -> None:
    carrier = MailCarrier()
    letters = [carrier.compose(note(language=language, step=step)) for language, step in EVERY]
    assert len({letter.text for letter in letters}) == 6  # both overdue steps share their words
    assert carrier.compose(note(language="fr")).language == "en"


@pytest.mark.parametrize("step", STEPS)
def test_reading_grade(step: str) -> None:
    """Flesch-Kincaid grade, 0.39 words/sentence + 11.8 syllables/word - 15.59 (Kincaid and others, US Navy
    report 8-75, 1975; from memory), with syllables counted by groups of vowels: 6 at most."""
    text = MailCarrier().compose(note(step=step, phone="")).text
    assert (
        grade("The cat sat on the mat. The dog ran.")
        < 1
        < 12
        < grade("Organizational accountability necessitates comprehensive interdisciplinary documentation.")
    )
    assert grade(text) <= 6


def grade(text: str) -> float:
    sentences = [part for part in re.split(r"[.!?:,]\s*\n|[.!?]\s", text + " ") if re.search(r"\w", part)]
    words = re.findall(r"[a-z']+", text.lower())
    syllables = 0
    for word in words:
        groups = len(re.findall(r"[aeiouy]+", word))
        silent = word.endswith("e") and not word.endswith("le") and groups > 1
        syllables += max(1, groups - silent)
    return 0.39 * len(words) / len(sentences) + 11.8 * syllables / len(words) - 15.59


def test_names_are_shown_as_written_and_escaped_in_html() -> None:
    letter = MailCarrier().compose(note(given_name="O'Dell & <b>"))
    assert "O'Dell & <b>" in letter.text
    assert "O&#x27;Dell &amp; &lt;b&gt;" in letter.html


# --- a real server ------------------------------------------------------------------------------------------


class Sink:
    """An SMTP server on this machine whose answers the test chooses."""

    def __init__(self) -> None:
        self.mails: list[EmailMessage] = []
        self.recipient_answer = self.data_answer = "250 OK"
        self.sender_answer = "250 OK"
        self.connections = 0
        self.cut_after_data = False
        self.hang_up_at: str | None = None
        self.closes_after_each = False

    async def handle_EHLO(  # noqa: N802 - aiosmtpd's name
        self, server: SMTP, session: Session, envelope: Envelope, hostname: str, responses: list[str]
    ) -> list[str]:
        self.connections += 1
        session.host_name = hostname
        return responses

    async def handle_MAIL(  # noqa: N802
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        envelope.mail_from = address
        if self.hang_up_at == "MAIL":
            server.transport.abort()
        return self.sender_answer

    async def handle_RCPT(  # noqa: N802
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        if self.recipient_answer.startswith("250"):
            envelope.rcpt_tos.append(address)
        if self.hang_up_at == "RCPT":
            server.transport.abort()
        return self.recipient_answer

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:  # noqa: N802
        if self.data_answer.startswith("250"):
            assert isinstance(envelope.content, bytes)
            self.mails.append(message_from_bytes(envelope.content, EmailMessage, policy=policy.default))
        if self.cut_after_data:
            server.transport.abort()
        if self.closes_after_each:
            server.loop.call_soon(server.transport.close)  # what was written goes out first
        return self.data_answer


@pytest.fixture
def sink(settings: Any) -> Iterator[Sink]:
    """The mail server the settings name."""
    with socket.create_server(("127.0.0.1", 0)) as probe:
        port = probe.getsockname()[1]
    chosen = Sink()
    controller = Controller(chosen, hostname="127.0.0.1", port=port)
    controller.start()
    settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
    settings.EMAIL_HOST, settings.EMAIL_PORT, settings.EMAIL_TIMEOUT = "127.0.0.1", port, 2
    settings.DEFAULT_FROM_EMAIL = "demo clinic <desk@clinic.example>"
    yield chosen
    controller.stop()


def send(*notes: Note) -> list[Outcome]:
    carrier = MailCarrier()
    try:
        return [carrier.send(carrier.compose(each)).outcome for each in notes]
    finally:
        carrier.close()


def test_what_arrives(sink: Sink) -> None:
    assert send(note(language="es", given_name="Inés")) == [Outcome.ACCEPTED]
    (mail,) = sink.mails
    assert mail["To"] == "odalys@patients.example"
    assert mail["From"] == "demo clinic <desk@clinic.example>"
    assert mail["Message-ID"] == f"<{KEY}@clinic.example>"
    assert mail["Auto-Submitted"] == "auto-generated"
    assert mail["Content-Language"] == "es"
    assert mail["Date"].datetime.tzinfo is not None
    assert [part.get_content_type() for part in mail.iter_parts()] == ["text/plain", "text/html"]
    for part in mail.iter_parts():
        assert "Inés" in part.get_content()
    assert not mail.defects


def test_a_copy_carries_the_same_message_id(sink: Sink) -> None:
    send(note())
    send(note())
    assert len(sink.mails) == 2
    assert len({mail["Message-ID"] for mail in sink.mails}) == 1


def test_a_batch_shares_one_connection(sink: Sink) -> None:
    assert send(note(), note(step="ask"), note(step="overdue_1")) == [Outcome.ACCEPTED] * 3
    assert sink.connections == 1


@pytest.mark.parametrize(
    ("field", "reply", "outcome"),
    [
        ("recipient_answer", "550 5.1.1 no such person", Outcome.REFUSED),
        ("recipient_answer", "450 4.2.0 greylisted", Outcome.LATER),
        ("data_answer", "554 5.6.0 not taken", Outcome.REFUSED),
        ("data_answer", "452 4.3.1 full", Outcome.LATER),
        ("sender_answer", "550 5.7.1 you may not send", Outcome.UNREACHABLE),
        ("recipient_answer", "550 5.7.1 not from you to <p@example.org>", Outcome.REFUSED),
    ],
)
def test_answers(sink: Sink, field: str, reply: str, outcome: Outcome) -> None:
    setattr(sink, field, reply)
    carrier = MailCarrier()
    answer = carrier.send(carrier.compose(note()))
    assert answer.outcome is outcome
    assert answer.detail.endswith(reply[:9])  # the codes of RFC 5321 and RFC 3463, and none of the words
    assert "@" not in answer.detail  # no address in what is kept or logged
    setattr(sink, field, "250 OK")
    assert carrier.send(carrier.compose(note())).outcome is Outcome.ACCEPTED
    assert sink.connections == 1


def test_a_connection_cut_after_the_mail_was_taken_is_unsure_and_the_next_is_new(sink: Sink) -> None:
    sink.cut_after_data = True
    carrier = MailCarrier()
    assert carrier.send(carrier.compose(note())).outcome is Outcome.UNSURE
    sink.cut_after_data = False
    assert carrier.send(carrier.compose(note())).outcome is Outcome.ACCEPTED
    carrier.close()
    assert sink.connections == 2


def test_a_server_that_closes_after_each_mail_still_takes_a_batch(sink: Sink) -> None:
    """It is noticed with the next letter, of which nothing was handed over: that goes out anew at once."""
    sink.closes_after_each = True
    assert send(*[note()] * 4) == [Outcome.ACCEPTED] * 4
    assert len(sink.mails) == 4
    assert sink.connections == 4


@pytest.mark.parametrize(("step", "outcome"), [("MAIL", Outcome.UNREACHABLE), ("RCPT", Outcome.LATER)])
def test_broken_off_before_the_text_was_handed_over_cannot_have_arrived(
    sink: Sink, step: str, outcome: Outcome
) -> None:
    sink.hang_up_at = step
    assert send(note()) == [outcome]
    assert sink.mails == []


def test_no_server_is_unreachable(settings: Any) -> None:
    with socket.create_server(("127.0.0.1", 0)) as probe:
        settings.EMAIL_PORT = probe.getsockname()[1]
    settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
    settings.EMAIL_HOST = "127.0.0.1"
    assert send(note()) == [Outcome.UNREACHABLE]


@pytest.mark.parametrize("address", ["", "nobody", "two words@patients.example", "a@b\nBcc: c@d.example"])
def test_an_address_that_cannot_be_written_is_refused(sink: Sink, address: str) -> None:
    outcome = send(note(address=address))
    assert outcome == [Outcome.REFUSED]
    assert sink.mails == []


# --- the demo's folder --------------------------------------------------------------------------------------


def test_the_folder_is_listed_newest_first(settings: Any, tmp_path: Path) -> None:
    settings.EMAIL_BACKEND = "clinic.mail.FolderBackend"
    settings.MAIL_FOLDER = tmp_path / "mail"
    assert list_messages() == []
    send(note(step="ask"), note(step="due"), note(step="overdue_1", language="es", given_name="Inés"))
    newest, *_ = shown = list_messages()
    assert len(shown) == 3
    assert (newest.to, newest.message_id) == ("odalys@patients.example", f"<{KEY}@clinic.example>")
    assert "Hola, Inés" in newest.text
    assert "<p>Hola, Inés" in newest.html
    assert newest.sent_at is not None
    assert newest.sent_at.tzinfo is not None
    assert [mail.subject for mail in list_messages(limit=1)] == [newest.subject]
