"""Segments of a text: published values, and an independent reading of the standard that makes them."""

import doctest
import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from resupply.rules import segments
from resupply.rules.segments import (
    ALPHABET,
    SEPTETS_ALONE,
    SEPTETS_EACH,
    UNITS_ALONE,
    UNITS_EACH,
    Cost,
    measure,
    plain,
)

# --- an independent reading ---------------------------------------------------------------------------------

# 3GPP TS 23.038 section 6.2.1 as its picture has it: eight columns of sixteen, the column from the high bits.
COLUMNS = (
    "@ £ $ ¥ è é ù ì ò Ç LF Ø ø CR Å å",
    "Δ _ Φ Γ Λ Ω Π Ψ Σ Θ Ξ ESC Æ æ ß É",
    "SP ! \" # ¤ % & ' ( ) * + , - . /",
    "0 1 2 3 4 5 6 7 8 9 : ; < = > ?",
    "¡ A B C D E F G H I J K L M N O",
    "P Q R S T U V W X Y Z Ä Ö Ñ Ü §",
    "¿ a b c d e f g h i j k l m n o",
    "p q r s t u v w x y z ä ö ñ ü à",
)
NAMED = {"LF": "\n", "CR": "\r", "SP": " ", "ESC": "\x1b"}
CODES = {
    NAMED.get(cell, cell): 16 * column + row
    for column, cells in enumerate(COLUMNS)
    for row, cell in enumerate(cells.split())
}
# Section 6.2.1.1: what follows an escape.
AFTER_ESCAPE = {
    "\f": 0x0A, "^": 0x14, "{": 0x28, "}": 0x29, "\\": 0x2F, "[": 0x3C, "~": 0x3D, "]": 0x3E, "|": 0x40,
    "€": 0x65,
}  # fmt: skip


def written(text: str) -> list[list[int]]:
    """The segments a sender makes, as lists of septets or of UTF-16 units, filled one after the other."""
    septets: list[list[int]] = []
    for letter in text:
        if letter == "\x1b" or not (letter in CODES or letter in AFTER_ESCAPE):
            data = text.encode("utf-16-be")
            units = [int.from_bytes(data[place : place + 2], "big") for place in range(0, len(data), 2)]
            pairs: list[list[int]] = []
            for unit in units:
                if 0xDC00 <= unit <= 0xDFFF and pairs and 0xD800 <= pairs[-1][0] <= 0xDBFF:
                    pairs[-1].append(unit)
                else:
                    pairs.append([unit])
            return _fill(pairs, alone=140 // 2, each=(140 - 6) // 2)
        septets.append([CODES[letter]] if letter in CODES else [0x1B, AFTER_ESCAPE[letter]])
    return _fill(septets, alone=140 * 8 // 7, each=(140 - 6) * 8 // 7)


def _fill(pieces: list[list[int]], *, alone: int, each: int) -> list[list[int]]:
    everything = [value for piece in pieces for value in piece]
    if len(everything) <= alone:
        return [everything] if everything else []
    segments: list[list[int]] = [[]]
    for piece in pieces:
        if len(segments[-1]) + len(piece) > each:
            segments.append([])
        segments[-1] += piece
    return segments


def test_the_alphabet_is_the_standards() -> None:
    assert len(ALPHABET) == len(CODES) == 128
    assert {letter: place for place, letter in enumerate(ALPHABET)} == CODES


def test_the_sizes_follow_from_140_octets_of_which_six_join_the_segments() -> None:
    assert (SEPTETS_ALONE, SEPTETS_EACH) == (140 * 8 // 7, (140 - 6) * 8 // 7) == (160, 153)
    assert (UNITS_ALONE, UNITS_EACH) == (140 // 2, (140 - 6) // 2) == (70, 67)


# Weighted towards texts that end near a border, with every sort of character.
_SORTS = st.sampled_from([*string.ascii_letters, *"éñ¿[]€\\áí“—漢", "😀", "\x1b", "\n"])
TEXTS = st.builds(
    lambda start, letter, count, end: start + letter * count + end,
    st.text(_SORTS, max_size=20),
    _SORTS,
    st.integers(0, 330),
    st.text(_SORTS, max_size=20),
)


@given(TEXTS)
def test_the_count_is_that_of_the_segments_a_sender_makes(text: str) -> None:
    made = written(text)
    cost = measure(text)
    assert (cost.segments, cost.units) == (len(made), sum(len(segment) for segment in made))


@given(TEXTS, _SORTS)
def test_a_longer_text_never_takes_fewer_segments(text: str, letter: str) -> None:
    assert measure(text + letter).segments >= measure(text).segments


@given(TEXTS)
def test_no_half_of_a_character_is_alone_in_a_segment(text: str) -> None:
    for segment in written(text):
        assert segment[-1] != 0x1B or "\x1b" in text  # in septets, 0x1B begins a pair
        assert not 0xD800 <= segment[-1] <= 0xDBFF
        assert not 0xDC00 <= segment[0] <= 0xDFFF


# --- values -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "units", "segments", "says"),
    [
        ("", 0, 0, "no text takes no segment"),
        ("a" * 160, 160, 1, "160 septets are one segment"),
        ("a" * 161, 161, 2, "one more makes two (check value: a text of 161 characters)"),
        ("a" * 306, 306, 2, "two segments hold 153 each"),
        ("a" * 307, 307, 3, "and no more"),
        ("á" * 70, 70, 1, "70 characters outside the alphabet are one segment"),
        ("á" * 71, 71, 2, "one more makes two"),
        ("á" * 134, 134, 2, "two segments hold 67 each"),
        ("á" * 135, 135, 3, "and no more"),
        ("a" * 159 + "á", 160, 3, "one character from outside turns the whole text"),
        ("€" * 80, 160, 1, "an extended character takes two septets"),
        ("€" * 81, 162, 2, "so 81 of them take two segments"),
        ("a" * 152 + "€" + "a" * 152, 306, 3, "an escape is not parted from its character: one is lost"),
        ("a" * 151 + "€" + "a" * 153, 306, 2, "where it fits, none is lost"),
        ("😀" * 35, 70, 1, "a character beyond the first plane takes two units"),
        ("a" * 66 + "😀" + "a" * 66, 134, 3, "the two are not parted: one unit is lost"),
        ("a" * 65 + "😀" + "a" * 67, 134, 2, "where they fit, none is lost"),
        ("¿Ñandú? ¡No! Él, señor, vergüenza, à Ç", 38, 1, "but ú is outside"),
        ("\x1b", 1, 1, "an escape alone is no character of the alphabet"),
    ],
)  # fmt: skip
def test_values(text: str, units: int, segments: int, says: str) -> None:
    cost = measure(text)
    assert (cost.units, cost.segments) == (units, segments), says
    assert cost.fits is (segments <= 2)


@pytest.mark.parametrize("letter", "éñü¿¡ÉÑÜàèìòùÇäöå@_")
def test_letters_of_the_alphabet(letter: str) -> None:
    assert measure(letter) == Cost(1, 1, (), ())


@pytest.mark.parametrize("letter", "áíóúÁÍÓÚçâêãõ“”’–—…\u00a0`\t")
def test_letters_outside(letter: str) -> None:
    assert measure(f"a{letter}b{letter}").outside == (letter,)


def test_what_costs_is_named_once_and_in_order() -> None:
    assert measure("[a] [b] {c}").extended == ("[", "]", "{", "}")
    assert measure("aquí está [x]").outside == ("í", "á")
    assert measure("aquí está [x]").extended == ()  # in UCS-2 they cost what others cost


def test_what_is_left() -> None:
    assert measure("a" * 300).spare == 6
    assert measure("á" * 140).spare == -6


@given(st.text(max_size=60))
def test_plain_letters_stay(text: str) -> None:
    once = plain(text)
    assert plain(once) == once
    kept = [letter for letter in text if letter.isalnum() and letter != "ʼ"]  # an apostrophe all the same
    assert [letter for letter in once if letter.isalnum()] == kept


def test_plain_makes_typography_cheap() -> None:
    assert measure(plain("“Juniper Bend” – it’s time…\u00a0now")).outside == ()


def test_the_examples_of_the_module_hold() -> None:
    assert doctest.testmod(segments).failed == 0
