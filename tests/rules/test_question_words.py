"""The words of the answering page: grade 6 or below in English, easy in Spanish, by the formulas of
`test_reading` (Flesch-Kincaid; Fernandez Huerta).
"""

import pytest

from resupply.rules.question_page import FRAME, words
from tests.rules.test_reading import fernandez_huerta, flesch_kincaid, sentences


def texts(language: str) -> list[str]:
    return [
        text.format(day="Wednesday 18 March") for key, text in words(language).items() if key not in FRAME
    ]


def test_english_reads_at_grade_6_or_below() -> None:
    assert flesch_kincaid(texts("en")) <= 6
    hard = [
        text for text in texts("en") if sum(map(len, sentences(text))) >= 12 and flesch_kincaid([text]) > 6
    ]
    assert hard == []


def test_spanish_reads_easily() -> None:
    assert fernandez_huerta(texts("es")) >= 80
    hard = [
        text for text in texts("es") if sum(map(len, sentences(text))) >= 12 and fernandez_huerta([text]) < 70
    ]
    assert hard == []


@pytest.mark.parametrize("word", ["refill", "dispense", "PAP", "therapy", "swap", "compliance"])
def test_no_jargon(word: str) -> None:
    assert not any(word in text for text in texts("en"))
