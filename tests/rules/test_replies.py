"""What texts that come in mean: published stop words and check values, sentences of ours, false alarms."""

import doctest
import string
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from resupply.rules import replies
from resupply.rules.replies import LONGEST_READ, Meaning, Reading, read

STOP, HELP, START, OTHER = Meaning.STOP, Meaning.HELP, Meaning.START, Meaning.OTHER

# CTIA Messaging Principles and 47 CFR 64.1200(a)(10), from memory; the Spanish is ours.
KEYWORDS = [
    *((word, STOP) for word in ("STOP", "STOPALL", "END", "CANCEL", "UNSUBSCRIBE", "QUIT", "REVOKE")),
    *((word, STOP) for word in ("OPTOUT", "opt out", "Opt-Out", "STOP ALL")),
    *((word, STOP) for word in ("PARAR", "ALTO", "CANCELAR", "BAJA", "pare")),
    *((word, HELP) for word in ("HELP", "INFO", "AYUDA", "información", "who is this?", "¿Quién es?")),
    *((word, START) for word in ("START", "UNSTOP", "empezar")),
    *((word, Meaning.YES) for word in ("yes", "Y", "Sí", "si por favor", "Yes please!", "yeah")),
    *((word, Meaning.NO) for word in ("no", "NO.", "No gracias", "nope", "no thank you")),
]  # fmt: skip


@pytest.mark.parametrize(("body", "meaning"), KEYWORDS)
def test_a_text_of_one_word(body: str, meaning: Meaning) -> None:
    assert read(body) == Reading(meaning, is_keyword=True)


@pytest.mark.parametrize(
    "body",
    [
        "stop", " Stop ", "STOP.", "Stop!!!", "stop stop STOP", "s.t.o.p", "S T O P", "Please stop",
        "stop please", "Stop, thank you", "STOP now", "OK stop", "stop it", "stop this", "no more",
        "Enough already", "stóp",
        "Alto por favor", "¡Ya basta!", "ya no", "para ya", "“stop”", "stop 🛑", "stop help",
        "leave me alone",
    ],
)  # fmt: skip
def test_a_stop_with_nothing_but_politeness(body: str) -> None:
    assert read(body) == Reading(STOP, is_keyword=True)


SENTENCES = [
    "please stop texting me",  # check value
    "no more messages",
    "ya no me mande mensajes",
    "deje de escribirme",
    "Stop sending me these",
    "stop sending me texts about this",
    "STOP. I moved to another clinic.",
    "Stop I don't need anything",
    "yes stop the texts",
    "Quit texting me!!",
    "Don't text me anymore",
    "dont message me again please",
    "do not contact me",
    "Don’t ever write to me again",
    "Please do not send any more reminders",
    "I don't want these texts",
    "I no longer want to receive messages",
    "I don't want to hear from you",
    "I do not wish to be contacted",
    "How do I unsubscribe?",
    "I want to opt out",
    "take me off your list",
    "Remove my number",
    "please remove me from this",
    "cancel all messages",
    "no further notifications",
    "I revoke my consent",
    "You have the wrong number",
    "Why don't you stop texting me",
    "can you please stop texting",
    "I asked you to stop",
    "You never stop texting me",
    "I want this to stop",
    "leave me alone, please, all of you",
    "I don't need this, stop texting me",
    "hi this is her son please stop messaging this phone",
    "Dejen de mandarme mensajes",
    "deja de enviarme textos",
    "Pare de escribirme por favor",
    "no me escriba más",
    "No me envíen más mensajes",
    "no me mande más",
    "No me manden nada más",
    "no quiero recibir más mensajes",
    "Ya no quiero sus mensajes",
    "no quiero que me escriban",
    "No más mensajes",
    "quiero darme de baja",
    "Me doy de baja",
    "Quíteme de la lista",
    "borre mi número",
    "déjeme en paz",
    "Cancele los mensajes",
    "detengan estos recordatorios",
    "número equivocado",
    "no me vuelva a escribir",
    "no stop",
]


@pytest.mark.parametrize("body", SENTENCES)
def test_a_sentence_that_asks_to_stop_is_an_opt_out_and_a_person_reads_it(body: str) -> None:
    """By any reasonable means: 47 CFR 64.1200(a)(10), from memory."""
    assert read(body) == Reading(STOP, is_keyword=False)


FALSE_ALARMS = [
    "don't stop",
    "Don't stop the texts",
    "Please don't stop texting me",
    "I don't want you to stop",
    "I don't want the texts to stop",
    "never stop",
    "do not cancel",
    "please do not unsubscribe me",
    "no pares",
    "no pare",
    "No dejen de escribirme",
    "nunca dejen de mandarme mensajes",
    "no quiero que paren",
    "no quiero darme de baja",
    "no me den de baja",
    "the noise won't stop",
    "My mask leaks and it doesn't stop",
    "el ruido no para",
    "Should I stop using it?",
    "I stopped using the machine",
    "Can I stop therapy?",
    "I will stop by tomorrow",
    "Stop by at noon?",
    "The bus stop is closed",
    "how do I stop the leak",
    "quiero parar la terapia",
    "para mi esposo",
    "Es para mañana",
    "I quit using it",
    "I want to end it all",
    "cancel my appointment on Friday",
    "cancel my order",
    "stop sending me masks",
    "Don't send the blue one",
    "no me mande el filtro azul",
    "no more filters please",
    "no necesito filtros",
    "I need help with the strap",
    "help me I can't breathe",
    "yes but not the hose",
    "No, I already have two",
    "sí, pero en enero",
    "when does it start",
    "it ends in a point",
    "thanks",
    "ok",
    "👍",
    "",
    "   ",
    "1",
    "I moved. New address: 12 Alto Street, End Road",
    "call me back please",
    "no tengo mensajes",
]


@pytest.mark.parametrize("body", FALSE_ALARMS)
def test_anything_else_is_for_a_person_and_no_opt_out(body: str) -> None:
    assert read(body) == Reading(OTHER, is_keyword=False)


ALL = [*(body for body, _ in KEYWORDS), *SENTENCES, *FALSE_ALARMS, "stop", "please stop"]
_ACCENTS = "\u0301\u0300\u0308\u0303"


@st.composite
def _rewritten(draw: st.DrawFn) -> tuple[str, str]:
    """A text, and the same in other case, with other blanks, accents and marks around its words."""
    body = draw(st.sampled_from(ALL))
    marks = st.text(st.sampled_from([*' \t\n.,;:!?¡¿"()*~-_…“”']), max_size=3)
    words = []
    for word in body.split():
        letters = "".join(
            draw(st.sampled_from([letter.lower(), letter.upper()]))
            + (draw(st.sampled_from(["", "", "", *_ACCENTS])) if letter in string.ascii_letters else "")
            for letter in unicodedata.normalize("NFC", word)
        )
        words.append(draw(marks) + letters + draw(marks))
    return body, draw(marks) + " ".join(words) + draw(marks)


@given(_rewritten())
def test_case_blanks_punctuation_and_accents_do_not_matter(pair: tuple[str, str]) -> None:
    body, rewritten = pair
    assert read(rewritten) == read(body)


@given(st.text(max_size=400))
def test_any_text_is_read(body: str) -> None:
    assert read(body).meaning in Meaning


def test_a_long_text_is_read_quickly_and_by_its_beginning() -> None:
    assert read("please stop texting me " + "no me mande mas los " * 5000).meaning is STOP
    assert read("do not want any more of the " * 5000).meaning is OTHER
    assert read("x" * LONGEST_READ + " stop texting me").meaning is OTHER


def test_the_examples_of_the_module_hold() -> None:
    assert doctest.testmod(replies).failed == 0
