"""Help for patients reads as easily as their pages and says the same in both languages; finding a topic."""

import re

import pytest

from resupply.rules import help_search, help_topics, patient_help, patient_page, question_page
from resupply.rules.help_search import Entry, find
from resupply.rules.patient_help import LANGUAGES
from tests.rules.test_reading import JARGON, fernandez_huerta, flesch_kincaid, sentences

QUOTED = {"en": re.compile("“([^”]+)”"), "es": re.compile("«([^»]+)»")}


def all_texts(language: str) -> list[str]:
    topics = patient_help.topics(language).values()
    said = [text for topic in topics for text in (topic.title, *help_topics.texts(topic))]
    return [*patient_help.labels(language).values(), *said]


def is_long(text: str) -> bool:
    return sum(map(len, sentences(text))) >= 12


def test_english_reads_at_grade_6_or_below() -> None:
    """By topic, too; sources and limits as in test_reading.py."""
    for topic in patient_help.topics("en").values():
        assert flesch_kincaid([topic.title, *help_topics.texts(topic)]) <= 6, topic.slug
    assert [text for text in all_texts("en") if is_long(text) and flesch_kincaid([text]) > 7] == []


def test_spanish_reads_easily() -> None:
    assert fernandez_huerta(all_texts("es")) >= 80
    assert [text for text in all_texts("es") if is_long(text) and fernandez_huerta([text]) < 70] == []


def test_no_jargon_and_no_advice_to_stop() -> None:
    for text in all_texts("en"):
        for word in (*JARGON, "stop your", "change your therapy", "pressure"):
            assert word not in text, text


def test_both_languages_say_the_same_things() -> None:
    english, spanish = (patient_help.topics(language) for language in LANGUAGES)
    assert list(english) == list(spanish)
    for slug, topic in english.items():
        other = spanish[slug]
        assert (topic.see, topic.pages) == (other.see, other.pages)
        for part in ("about", "steps", "words", "trouble", "cautions"):
            assert len(getattr(topic, part)) == len(getattr(other, part)), (slug, part)
        for said, told in zip(help_topics.texts(topic), help_topics.texts(other), strict=True):
            assert said != told, said


@pytest.mark.parametrize("language", LANGUAGES)
def test_what_help_quotes_stands_on_a_page(language: str) -> None:
    """A button whose words change must not leave help behind."""
    shown = {*patient_page.words(language).values(), *question_page.words(language).values()}
    for text in all_texts(language):
        for quoted in QUOTED[language].findall(text):
            assert quoted in shown, text


def test_links_between_topics_lead_somewhere() -> None:
    for topic in patient_help.topics("en").values():
        assert set(topic.see) <= patient_help.topics("en").keys() - {topic.slug}


def test_a_topic_with_an_unknown_part_or_a_missing_language_is_refused() -> None:
    with pytest.raises(ValueError, match="setps"):
        help_topics.read("x", {"title": "X", "setps": ["one"]})
    with pytest.raises(KeyError):
        help_topics.read("x", {"title": {"en": "X"}}, language="es")


ENTRIES = (
    Entry(
        "parcel", "A parcel came back", "lost in the mail", ("The dispense is voided.", "Call the patient.")
    ),
    Entry("void", "Correct a mistake", "undo delete", ("A wrong record is voided. Patients see nothing.",)),
    Entry("#void", "void", "", ("To take back a record.",)),
    Entry("mask", "Máscaras", "", ("Sin imán.",)),
)


@pytest.mark.parametrize(
    ("typed", "expected", "why"),
    [
        (
            "void",
            ["#void", "parcel", "void"],
            "a title that is the word itself, then texts that begin with it",
        ),
        ("undo", ["void"], "what it is also called"),
        ("UNDONE", [], "a longer word is another word"),
        ("patients", ["parcel", "void"], "one or many"),
        ("voided patient", ["parcel", "void"], "all words, in any place"),
        ("parcel mistake", ["parcel", "void"], "no entry holds both: those that hold one"),
        ("how do I correct a mistake", ["void"], "small words are left out"),
        ("does this void", ["#void", "parcel", "void"], "also those that seem to have a plural ending"),
        ("mascara", ["mask"], "accents do not matter, nor the plural"),
        ("iman", ["mask"], "nor in a text"),
        ("to", ["#void"], "but for a small word alone"),
        ("", [], "nothing typed"),
        ("...", [], "no word typed"),
    ],
)
def test_what_is_found(typed: str, expected: list[str], why: str) -> None:
    assert [found.entry.key for found in find(typed, ENTRIES)] == expected, why


def test_the_sentence_that_says_most_is_shown_with_the_words_that_were_typed() -> None:
    first = find("call patients", ENTRIES)[0]
    assert first.pieces == (("", False), ("Call", True), (" the ", False), ("patient", True), (".", False))
    assert first.holds_all
    assert not find("parcel mistake", ENTRIES)[0].holds_all
    assert "".join(text for text, _ in find("parcel", ENTRIES)[0].pieces) == "The dispense is voided."


def test_at_most_so_many_are_found() -> None:
    many = [Entry(str(number), "Mask", "", ("It fits.",)) for number in range(30)]
    assert [found.entry.key for found in find("mask", many, at_most=3)] == ["0", "1", "2"]
    assert help_search.fold("Masks") == "mask"
