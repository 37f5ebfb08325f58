"""The mail that carries a refill question: neutral words, the link, the way to stop; grade 6 at most."""

import re

import pytest

from resupply.delivery.mail import MailCarrier
from resupply.rules.reminders import STEPS
from resupply.rules.sending import Letter
from tests.delivery.test_mail import GIVEAWAYS, grade, note
from tests.rules.test_reading import fernandez_huerta

TOKEN = "h5Xk_wQ9-3vN8sT2aBcDeF"
EVERY = [(language, step) for language in ("en", "es") for step in STEPS]


@pytest.fixture(autouse=True)
def address(settings: pytest.FixtureRequest) -> None:
    settings.PUBLIC_URL = "https://clinic.example"  # type: ignore[attr-defined]


def letter(language: str, step: str) -> Letter:
    return MailCarrier().compose(note(language=language, step=step, token=TOKEN))


@pytest.mark.parametrize(("language", "step"), EVERY)
def test_the_link_is_in_both_parts_and_the_words_give_nothing_away(language: str, step: str) -> None:
    found = letter(language, step)
    link = f"https://clinic.example/ask/{TOKEN}/"
    assert found.text.count(link) == found.html.count(link) == 1
    assert TOKEN not in found.subject
    text = (
        re.sub(r"<[^>]+>", " ", f"{found.subject}\n{found.text}\n{found.html}")
        .lower()
        .replace(link.lower(), "")
    )
    assert [stem for stem in GIVEAWAYS.split() if re.search(rf"\b{stem}", text)] == []
    assert len(found.subject) <= 78  # RFC 5322 section 2.1.1
    assert "\n" not in found.subject


@pytest.mark.parametrize(("language", "step"), EVERY)
def test_it_says_how_to_stop_whom_to_call_and_leaves_care_alone(language: str, step: str) -> None:
    found = letter(language, step)
    needed = {
        "en": ["+1 303 555 0100", "until you say yes", "Stop asking", "does not change your care"],
        "es": ["+1 303 555 0100", "diga que sí", "No me pregunten más", "no cambia su tratamiento"],
    }
    for phrase in needed[language]:
        assert phrase in found.text
        assert phrase in found.html


@pytest.mark.parametrize("step", STEPS)
def test_it_reads_easily(step: str) -> None:
    """Flesch-Kincaid grade and Fernandez Huerta's reading ease, as in `test_mail` and `test_reading`."""
    link = f"https://clinic.example/ask/{TOKEN}/"
    assert grade(letter("en", step).text.replace(link, "")) <= 6
    assert fernandez_huerta([letter("es", step).text.replace(link, "")]) >= 80
