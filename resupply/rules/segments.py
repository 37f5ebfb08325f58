"""How many segments a text message takes, and which characters make it longer.

The rule in plain words. A text whose characters all stand in the GSM 7-bit default alphabet or its extension
table is written in septets: a character of the extension takes two (an escape before it), every other one.
Up to 160 septets are one segment; a longer text is cut into segments of 153, because each then carries six
octets that say how they belong together, and the two septets of an extended character are never parted. One
character from outside turns the whole text into UCS-2: UTF-16 units, up to 70 in one segment, else 67 in
each, and the two units of one character (an emoji) are never parted. A message of ours takes at most
`MOST_SEGMENTS`.

Edge cases: no text takes no segment. "é", "ñ", "ü", "¿" and "¡" are in the alphabet; "á", "í", "ó", "ú", "ç"
and typographic quotes and dashes are not. The escape itself is no character of a text.

Sources: 3GPP TS 23.038 sections 6.2.1 and 6.2.1.1 (alphabet and extension table); 3GPP TS 23.040 section
9.2.3.24.1 (concatenated messages; 140 octets, 6 of them the header). From memory; the numbers follow by
arithmetic. National language tables are not used: not every network takes them.

>>> measure("See you at 9")
Cost(units=12, segments=1, outside=(), extended=())
>>> measure("a" * 161).segments
2
>>> measure("Llámenos").outside, measure("Ll" + "á" * 69).segments
(('á',), 2)
>>> measure("[" * 80).units, measure("[" * 80).segments, measure("[" * 81).segments
(160, 1, 2)
"""

import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass

MOST_SEGMENTS = 2

ALPHABET = (
    "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞ\x1bÆæßÉ"
    " !\"#¤%&'()*+,-./0123456789:;<=>?"
    "¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§"
    "¿abcdefghijklmnopqrstuvwxyzäöñüà"
)
"""The default alphabet: a character's place is its code."""
_ESCAPE = "\x1b"
_BASIC = frozenset(ALPHABET) - {_ESCAPE}
_EXTENDED = frozenset("\f^{}\\[~]|€")

SEPTETS_ALONE, SEPTETS_EACH = 160, 153
UNITS_ALONE, UNITS_EACH = 70, 67


@dataclass(frozen=True, slots=True)
class Cost:
    """Septets or UTF-16 units and segments; `outside`: characters that force UCS-2, `extended`: those that
    take two septets; each once, in their order.
    """

    units: int
    segments: int
    outside: tuple[str, ...]
    extended: tuple[str, ...]

    @property
    def fits(self) -> bool:
        """Whether this is short enough to be sent."""
        return self.segments <= MOST_SEGMENTS

    @property
    def spare(self) -> int:
        """Units left until the text is too long (below 0: too many)."""
        return (UNITS_EACH if self.outside else SEPTETS_EACH) * MOST_SEGMENTS - self.units


def measure(text: str) -> Cost:
    """The cost of a text."""
    outside = _once(letter for letter in text if letter not in _BASIC and letter not in _EXTENDED)
    extended = () if outside else _once(letter for letter in text if letter in _EXTENDED)
    if outside:
        widths = [2 if ord(letter) > 0xFFFF else 1 for letter in text]
        return Cost(sum(widths), _segments(widths, UNITS_ALONE, UNITS_EACH), outside, ())
    widths = [2 if letter in _EXTENDED else 1 for letter in text]
    return Cost(sum(widths), _segments(widths, SEPTETS_ALONE, SEPTETS_EACH), (), extended)


def _segments(widths: list[int], alone: int, each: int) -> int:
    """Segments of characters of these widths, none of which is parted."""
    if sum(widths) <= alone:
        return 1 if widths else 0
    count, room = 1, each
    for width in widths:
        if width > room:
            count, room = count + 1, each
        room -= width
    return count


def _once(letters: Iterable[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(letters))


_PLAIN = str.maketrans(
    {
        **dict.fromkeys("‘’‚‛′`´ʼ", "'"),
        **dict.fromkeys("“”„‟″«»", '"'),
        **dict.fromkeys("‐‑‒–—―−", "-"),
        **dict.fromkeys("\u00a0\u2007\u2009\u202f\t", " "),
        **dict.fromkeys("\u200b\u200c\u200d\u2060\ufeff\u00ad", ""),
        "…": "...",
        "•": "-",
    }
)


def plain(text: str) -> str:
    """A text with typographic quotes, dashes and blanks as the alphabet has them; letters stay as they are.

    >>> plain("“Juniper” – since 1990…")
    '"Juniper" - since 1990...'
    """
    return text.translate(_PLAIN)


def cheap(name: str) -> str:
    """A name with letters of the alphabet where they have any: accents outside it are dropped, as on phones.

    >>> cheap("Clínica Señor Peña’s"), cheap("睡眠")
    ("Clinica Señor Peña's", '睡眠')
    """
    return "".join(_nearest(letter) for letter in plain(name))


def _nearest(letter: str) -> str:
    if letter in _BASIC or letter in _EXTENDED:
        return letter
    base = unicodedata.normalize("NFKD", letter)[0]
    return base if base in _BASIC else letter
