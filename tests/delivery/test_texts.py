"""Text messages: the wording and the numbers."""

import re
from dataclasses import replace
from typing import Any

import pytest

from resupply.delivery.calendar_words import KINDS
from resupply.delivery.texts import (
    NumberError,
    TextCarrier,
    shown,
    textable,
)
from resupply.delivery.texts.checks import check_texts
from resupply.delivery.texts.providers import ConsoleProvider
from resupply.delivery.texts.wording import check_wordings, every
from resupply.rules.segments import measure
from tests.delivery.test_mail import GIVEAWAYS, grade, note
from tests.rules.test_reading import fernandez_huerta

PHONE = "+1 303 555 0100"
# As long as a clinic's plausibly are: a name of 40 characters, a phone with an extension, a long host name.
LONGEST_SENDER = "Juniper Bend Community Health Associates"
LONGEST_PHONE = "(303) 555-0100 x1234"
LONGEST_LINK = f"https://{'supplies.juniper-bend-community-health'}.example/ask/{'h5Xk_wQ9-3vN8sT2aBcDeF'}/"


@pytest.fixture(autouse=True)
def sender(settings: Any) -> None:
    settings.TEXT_SENDER_NAME, settings.TEXT_SENDER_NUMBER = "demo clinic", "+13035550100"
    settings.PUBLIC_URL, settings.PHONE_REGION = "https://clinic.example", "US"


# --- wording ------------------------------------------------------------------------------------------------


def test_every_wording_fits_two_segments_in_the_gsm_alphabet_with_the_longest_name_phone_and_link() -> None:
    assert (len(LONGEST_SENDER), len(LONGEST_PHONE), len(LONGEST_LINK)) == (40, 20, 82)
    texts = every(LONGEST_PHONE, LONGEST_LINK, sender=LONGEST_SENDER)
    assert len(texts) == 2 * (9 + 2 * 5)
    for name, text in texts.items():
        cost = measure(text)
        assert (cost.outside, cost.extended, cost.fits) == ((), (), True), (name, text)
        assert text.startswith(f"{LONGEST_SENDER}: ")
        assert "  " not in text
        assert "{" not in text


def test_an_accent_in_the_clinics_name_costs_nothing() -> None:
    for text in every(PHONE, LONGEST_LINK, sender="Clínica Familiar “El Enebro” – Núñez").values():
        assert text.startswith('Clinica Familiar "El Enebro" - Nuñez: ')
        assert measure(text).fits


def test_the_wording_gives_nothing_away() -> None:
    """As the mail's; a text names no patient either."""
    for name, text in every(PHONE, "").items():
        found = [stem for stem in GIVEAWAYS.split() if re.search(rf"\b{stem}", text.lower())]
        assert not found, (name, found)


def test_every_wording_says_who_writes_and_how_to_stop() -> None:
    """47 CFR 64.1200(a)(9)(iv) and CTIA Messaging Principles, from memory. The confirmation of a stop
    says how to start; help says the number to call and what it costs.
    """
    for (name, language, _), text in every(PHONE, LONGEST_LINK).items():
        assert text.startswith("demo clinic: ")
        assert ("START" if name == "stopped" else "STOP") in text
        if name == "help":
            assert PHONE in text
            assert "911" in text
            assert ("rates may apply" if language == "en" else "puede cobrarle") in text
        if name == "stopped":
            assert "http" not in text


@pytest.mark.parametrize("language", ["en", "es"])
def test_it_reads_easily(language: str) -> None:
    """Flesch-Kincaid grade and Fernandez Huerta's reading ease, as in the tests of mail."""
    said = {
        name: re.sub(r"^demo clinic: |https://\S+", "", text).replace("  ", " ")
        for name, text in every("", "").items()
        if name[1] == language
    }
    for name, text in said.items():
        if language == "en":
            assert grade(text) <= 6, name
    if language == "es":
        assert fernandez_huerta(list(said.values())) >= 80


def test_a_link_stands_alone_so_that_phones_open_it() -> None:
    for (name, *_), text in every(PHONE, LONGEST_LINK).items():
        if name in {"refill_question", "link_again", "swap"}:
            assert re.search(rf"(^|\s){re.escape(LONGEST_LINK)}(\s|$)", text)


def test_steps_and_languages_read_differently() -> None:
    texts = every(PHONE, LONGEST_LINK)
    questions = {text for (name, _, _), text in texts.items() if name == "refill_question"}
    assert len(questions) == 2 * 4  # both overdue steps share their words


def test_a_wording_that_came_out_too_long_is_named_with_what_makes_it_long(settings: Any) -> None:
    settings.TEXT_URL = "console:"
    assert check_wordings(PHONE) == []
    settings.TEXT_SENDER_NAME = "睡眠クリニック" * 12
    wrong = check_wordings(PHONE)
    assert wrong
    assert "UCS-2" in wrong[0]
    assert "眠" in wrong[0]
    settings.TEXT_URL = ""
    assert check_wordings(PHONE) == []


def test_the_site_does_not_start_with_a_wording_that_is_too_long(settings: Any) -> None:
    settings.TEXT_URL = "console:"
    assert check_texts(app_configs=None) == []
    settings.PUBLIC_URL = "https://" + "a-very-long-name." * 12 + "example"
    wrong = check_texts(app_configs=None)
    assert {error.id for error in wrong} == {"resupply.E001"}
    assert "refill_question en ask: too long: 3 segments" in wrong[0].msg


def test_a_note_is_composed_by_purpose_link_and_language() -> None:
    carrier = TextCarrier(ConsoleProvider())
    asked = carrier.compose(note(address=PHONE, token="h5Xk", language="es"))
    assert "https://clinic.example/ask/h5Xk/ " in asked.text
    assert asked.language == "es"
    assert "call us at" in carrier.compose(note(address=PHONE)).text
    assert "no more texts" in carrier.compose(note(address=PHONE, purpose="stopped")).text
    assert carrier.compose(note(address=PHONE, language="fr")).language == "en"
    assert "Odalys" not in asked.text
    swap = carrier.compose(note(address=PHONE, purpose="swap", page_token="p4ge"))
    assert "https://clinic.example/me/p4ge/ " in swap.text


@pytest.mark.parametrize("language", ["en", "es"])
def test_parts_are_named_where_the_patient_chose_it_as_long_as_two_segments_hold_them(
    settings: Any, language: str
) -> None:
    carrier = TextCarrier(ConsoleProvider())
    one = carrier.compose(note(address=PHONE, token="h5Xk", language=language, kinds=("chamber",))).text
    assert ("This is about: water chamber." if language == "en" else "Se trata de: camara de agua.") in one
    swap = carrier.compose(note(address=PHONE, purpose="swap", language=language, kinds=("tubing",))).text
    assert ("change: tubing." if language == "en" else "cambiar: tubo.") in swap
    settings.TEXT_SENDER_NAME = LONGEST_SENDER
    every_kind = tuple(KINDS["en"])
    for name in ("", "swap"):
        long = note(address=PHONE, phone=LONGEST_PHONE, token="h5Xk" * 5, purpose=name, language=language)
        all_of_them = carrier.compose(replace(long, kinds=every_kind)).text
        assert measure(all_of_them).fits
        assert all_of_them == carrier.compose(long).text or name == "swap"


# --- numbers ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "number"),
    [
        ("+1 303 555 0100", "+13035550100"),
        ("(303) 555-0100", "+13035550100"),
        ("303.555.0100", "+13035550100"),
        ("1 303 555 0100", "+13035550100"),
        ("+34 612 34 56 78", "+34612345678"),
        ("+52 55 1234 5678", "+525512345678"),
    ],
)
def test_numbers_become_e164(typed: str, number: str) -> None:
    assert textable(typed) == number
    assert re.fullmatch(r"\+[1-9]\d{1,14}", textable(typed))


@pytest.mark.parametrize(
    ("typed", "code"),
    [
        ("", "empty"),
        ("  ", "empty"),
        ("555 0100", "unknown"),
        ("911", "unknown"),
        ("call my son", "unknown"),
        ("+1 303 555 01000", "unknown"),
        ("303 555 0100 x12", "extension"),
        ("+1 800 555 0199", "landline"),
        ("+34 912 34 56 78", "landline"),
        ("+44 20 7946 0000", "landline"),
    ],
)
def test_what_takes_no_texts_is_refused(typed: str, code: str) -> None:
    with pytest.raises(NumberError) as refused:
        textable(typed)
    assert refused.value.code == code


def test_a_number_is_read_by_the_clinics_country(settings: Any) -> None:
    settings.PHONE_REGION = "ES"
    assert textable("612 34 56 78") == "+34612345678"
    assert shown("+34612345678") == "612 34 56 78"
    assert shown("+13035550100") == "+1 303-555-0100"
    assert shown("not a number") == "not a number"
