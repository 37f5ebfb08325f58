"""How hard the words for patients are to read, by published formulas: the own page, its cleaning, cautions.

English: Flesch-Kincaid grade level (Kincaid, Fishburne, Rogers, Chissom, Derivation of new readability
formulas for Navy enlisted personnel, Naval Technical Training Command, 1975): 0.39 words/sentence + 11.8
syllables/word - 15.59. The limit of grade 6 is the project's own; the American Medical Association asks for
grade 6 or below in what patients are given (from memory).

Spanish: Fernandez Huerta's reading ease (Medidas sencillas de lecturabilidad, Consigna 214, 1959), read as
206.84 - 60 syllables/word - 1.02 words/sentence; 70 is "fairly easy", 80 "easy" (from memory).

Syllables are counted by rules of thumb, good to a few in a hundred.
"""

import re

import pytest

from resupply.rules import cleaning, magnets, patient_page

SAMPLES = {
    "en": {
        "name": "Ana", "day": "Sunday 22 March", "parts": "mask", "count": "2", "month": "March", "cm": "16",
        "weekday": "Sunday", "inches": "6", "sources": "the health agencies", "place": "the clinic",
        "phone": "303 555", "hour": "8 am",
    },
    "es": {
        "name": "Ana", "day": "domingo 22 de marzo", "parts": "tubo", "count": "2", "month": "marzo",
        "weekday": "domingo", "cm": "16", "inches": "6", "sources": "las agencias de salud",
        "place": "la clínica", "phone": "303 555", "hour": "8 a. m.",
    },
}  # fmt: skip
"""What fills the braces."""


def sentences(text: str) -> list[list[str]]:
    """Words by sentence; a title or label counts as one."""
    parts = (re.findall(r"[^\W\d_]+(?:'[^\W\d_]+)?", part) for part in re.split(r"[.!?:]+", text))
    return [words for words in parts if words]


def page_texts(language: str) -> list[str]:
    """Everything that the page says."""
    own = patient_page.words(language)
    texts = [text.format(**SAMPLES[language]) for key, text in own.items() if key != "other_language"]
    tasks = [*cleaning.cleaning_tasks().values(), cleaning.first_use_wash()]
    texts += [text[language] for task in tasks for text in (task.title, task.how)]
    return texts + [caution.text[language] for caution in cleaning.cautions()]


def syllables_en(word: str) -> int:
    """Groups of vowels, a silent final e left out."""
    word = word.lower()
    groups = len(re.findall(r"[aeiouy]+", word))
    if word.endswith("e") and not word.endswith(("le", "ee", "ye")) and groups > 1:
        groups -= 1
    if re.search(r"[^td]ed$", word) and groups > 1:
        groups -= 1
    return max(groups, 1)


def syllables_es(word: str) -> int:
    """Vowels, less one for each diphthong: a weak vowel without accent beside another vowel."""
    word = re.sub(r"(?<=[qg])u(?=[eiéí])", "", word.lower())
    word = re.sub(r"y$", "i", word)
    return max(len(re.findall(r"[iuü]?[aeoáéó][iuü]?|[íú]|[iuü]+", word)), 1)


def flesch_kincaid(texts: list[str]) -> float:
    found = [words for text in texts for words in sentences(text)]
    words = [word for one in found for word in one]
    return 0.39 * len(words) / len(found) + 11.8 * sum(map(syllables_en, words)) / len(words) - 15.59


def fernandez_huerta(texts: list[str]) -> float:
    found = [words for text in texts for words in sentences(text)]
    words = [word for one in found for word in one]
    return 206.84 - 60 * sum(map(syllables_es, words)) / len(words) - 1.02 * len(words) / len(found)


@pytest.mark.parametrize(
    ("word", "count"),
    [("cleaning", 2), ("clean", 1), ("chamber", 2), ("use", 1), ("changed", 1), ("prescribed", 2),
     ("table", 2), ("emergency", 4), ("the", 1), ("needed", 2)],
)  # fmt: skip
def test_english_syllables(word: str, count: int) -> None:
    assert syllables_en(word) == count


@pytest.mark.parametrize(
    ("word", "count"),
    [("día", 2), ("bueno", 2), ("mascarilla", 4), ("limpieza", 3), ("que", 1), ("guerra", 2), ("aire", 2),
     ("cepíllelo", 4), ("hoy", 1), ("ciudad", 2), ("seque", 2), ("médico", 3)],
)  # fmt: skip
def test_spanish_syllables(word: str, count: int) -> None:
    assert syllables_es(word) == count


def test_the_formulas_tell_hard_from_easy() -> None:
    hard = ["Discontinuation of prescribed positive airway pressure therapy necessitates consultation."]
    assert flesch_kincaid(hard) > 15
    assert flesch_kincaid(["The cat sat on the mat."]) < 1
    assert (
        fernandez_huerta(["La interrupción del tratamiento prescrito necesita consulta especializada."]) < 50
    )
    assert fernandez_huerta(["El gato come pan."]) > 100


def test_english_reads_at_grade_6_or_below() -> None:
    assert flesch_kincaid(page_texts("en")) <= 6
    too_hard = {
        text: round(flesch_kincaid([text]), 1)
        for text in page_texts("en")
        if sum(map(len, sentences(text))) >= 12 and flesch_kincaid([text]) > 7
    }
    assert too_hard == {}  # nor does any one longer text stand out


def test_spanish_reads_easily() -> None:
    assert fernandez_huerta(page_texts("es")) >= 80
    too_hard = {
        text: round(fernandez_huerta([text]))
        for text in page_texts("es")
        if sum(map(len, sentences(text))) >= 12 and fernandez_huerta([text]) < 70
    }
    assert too_hard == {}


JARGON = ("swap", "PAP", "HCPCS", "dispense", "refill", "titrat", "adherence", "compliance")


def test_no_jargon_and_no_advice_to_stop() -> None:
    for text in page_texts("en"):
        for word in (*JARGON, "stop your"):
            assert word not in text, text


def test_a_button_says_what_it_saves_or_sends() -> None:
    for language in ("en", "es"):
        bare = {"Save", "Send", "OK", "Guardar", "Enviar"} & {*patient_page.words(language).values()}
        assert bare == set(), language


def test_both_languages_say_everything_with_the_same_blanks() -> None:
    english, spanish = patient_page.words("en"), patient_page.words("es")
    for key, text in english.items():
        blanks = [set(re.findall(r"{\w+}", one)) for one in (text, spanish[key])]
        assert blanks[0] == blanks[1], key


def test_implants_are_named_in_plain_words_of_both_languages() -> None:
    for one in magnets.implants().values():
        assert one.plain["en"]
        assert one.plain["es"] not in ("", one.plain["en"])
