"""Finding a topic of help by a few words. Standard library only, no index: a clinic's help fits in memory.

Words are compared without case, accents and plural endings; a word of three letters or more also finds what
begins with it. What stands in a title counts before what it is also called, and that before its text. First
come entries that hold every word; where none does, those that hold some, the most first. Words such as "how"
and "the" are left out, unless nothing else was typed.

>>> entries = [Entry("void", "Take back a record", "void undo mistake", ("It stays readable.",)),
...            Entry("print", "Print a list", "", ("Records print in black.",))]
>>> [found.entry.key for found in find("how do I undo a record", entries)]
['void']
>>> [found.entry.key for found in find("RECORDS", entries)]
['void', 'print']
>>> find("records", entries)[1].pieces
(('', False), ('Records', True), (' print in black.', False))
>>> find("  ", entries), find("zebra", entries)
([], [])

Source: ours.
"""

import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache

_SMALL_WORDS = (
    "a an and are at be by can do does for from how i if in is it me my of on or the this to we what when",
    "where which who why with you your",
    "al como con cual cuando de del donde el en es esta hacer hago la lo los las mi mis o para por puedo que",
    "quien se si su un una y yo",
)
_WORD = re.compile(r"[^\W_]+(?:['’][^\W_]+)?")
_LEAST = 3
"""Letters from which the beginning of a word is enough."""
_IN_TITLE, _IN_ALSO, _IN_TEXT, _WHOLE_TITLE = (12, 9), (6, 5), (2, 1), 6
"""What a word is worth there, whole and as a beginning; and a title that holds nothing but what was typed."""


@dataclass(frozen=True, slots=True)
class Entry:
    """Something to be found: a key for whoever asks, its title, what it is also called, its sentences."""

    key: str
    title: str
    also: str
    texts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Found:
    """An entry, and its sentence that says most of what was typed: pieces, and whether each was."""

    entry: Entry
    pieces: tuple[tuple[str, bool], ...]
    holds_all: bool


def find(query: str, entries: Iterable[Entry], *, at_most: int = 20) -> list[Found]:
    """The entries that hold what was typed, best first."""
    wanted = _wanted(query)
    if not wanted:
        return []
    counted = []
    for position, entry in enumerate(entries):
        worth = [_worth(word, entry) for word in wanted]
        held = sum(one > 0 for one in worth)
        if held:
            whole = _WHOLE_TITLE if set(_wanted(entry.title)) == set(wanted) else 0
            counted.append((-held, -sum(worth) - whole, position, entry))
    counted.sort(key=lambda one: one[:3])
    every = [one for one in counted if one[0] == -len(wanted)]
    return [
        Found(entry, _pieces(_best(entry, wanted), wanted), bool(every))
        for _, _, _, entry in (every or counted)[:at_most]
    ]


def fold(word: str) -> str:
    """A word as it is compared.

    >>> fold("Máscaras"), fold("batteries"), fold("address"), fold("Patient’s")
    ('mascara', 'battery', 'address', 'patient')
    """
    plain = unicodedata.normalize("NFKD", word.casefold())
    plain = "".join(letter for letter in plain if not unicodedata.combining(letter))
    plain = re.sub(r"['’].*", "", plain)
    if plain.endswith("ies") and len(plain) > 4:
        return f"{plain[:-3]}y"
    return plain[:-1] if plain.endswith("s") and not plain.endswith("ss") and len(plain) > 3 else plain


_SMALL = frozenset(fold(word) for line in _SMALL_WORDS for word in line.split())


@cache
def _words(text: str) -> tuple[str, ...]:
    return tuple(fold(word) for word in _WORD.findall(text))


def _wanted(query: str) -> list[str]:
    """What to look for, each word once."""
    typed = list(dict.fromkeys(fold(word) for word in _WORD.findall(query)))
    return [word for word in typed if word not in _SMALL] or typed


def _fits(wanted: str, word: str) -> int:
    """2: the same word; 1: it begins so; 0: another."""
    if word == wanted:
        return 2
    return int(len(wanted) >= _LEAST and word.startswith(wanted))


def _worth(wanted: str, entry: Entry) -> int:
    """What the best place of a word in an entry is worth."""
    places = ((entry.title, _IN_TITLE), (entry.also, _IN_ALSO), ("\n".join(entry.texts), _IN_TEXT))
    for text, (whole, begun) in places:
        fit = max((_fits(wanted, word) for word in _words(text)), default=0)
        if fit:
            return whole if fit == 2 else begun
    return 0


def _best(entry: Entry, wanted: Sequence[str]) -> str:
    """The sentence with most of the words; the first of equals, and where none has one."""

    def held(text: str) -> int:
        return sum(any(_fits(word, one) for one in _words(text)) for word in wanted)

    return max(entry.texts, key=held, default="")


def _pieces(text: str, wanted: Sequence[str]) -> tuple[tuple[str, bool], ...]:
    """The sentence cut around the words that were typed."""
    found, at = [], 0
    for match in _WORD.finditer(text):
        if any(_fits(word, fold(match[0])) for word in wanted):
            found += [(text[at : match.start()], False), (match[0], True)]
            at = match.end()
    return (*found, (text[at:], False))
