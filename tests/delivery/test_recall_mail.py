"""The mail of a recall notice: it gives nothing away, says whom to call, tells nobody to stop anything."""

import re

import pytest

from resupply.delivery.mail import MailCarrier
from resupply.rules.kinds import Kind
from resupply.rules.sending import Letter
from tests.delivery.test_mail import GIVEAWAYS, grade, note, words_of

NEEDED = {
    "en": [
        "Odalys",
        "safety notice",
        "+1 303 555 0100",
        "change nothing because of this message",
        "no more messages",
    ],
    "es": ["Odalys", "aviso de seguridad", "+1 303 555 0100", "no cambie nada", "No quiere más mensajes"],
}


def letter(language: str, *, phone: str = "+1 303 555 0100") -> Letter:
    return MailCarrier().compose(note(language=language, step="", phone=phone, purpose="recall"))


@pytest.mark.parametrize("language", ["en", "es"])
def test_it_gives_nothing_away_and_changes_no_care(language: str) -> None:
    made = letter(language)
    text = words_of(made)
    assert not [stem for stem in GIVEAWAYS.split() if re.search(rf"\b{stem}", text)]
    assert not [kind for kind in Kind if kind.value.replace("_", " ") in text]
    assert not re.search(r"\b(stop using|do not use|deje de usar|no use|recall|retir)", text)
    for part in (made.text, made.html):
        for phrase in NEEDED[language]:
            assert phrase in part
    assert f'lang="{language}"' in made.html
    assert "\n" not in made.subject
    assert len(made.subject) <= 78


def test_it_reads_easily() -> None:
    assert grade(letter("en", phone="").text) <= 6
