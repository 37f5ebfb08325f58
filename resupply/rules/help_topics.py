"""What a topic of help is made of. Its text lies in a table: staff's in `web/help/texts/`, patients' here.

A link in a text is written `[words|where]`; `plain` leaves its words.

>>> plain("Open [Patients|desk:find] and type a name.")
'Open Patients and type a name.'
>>> topic = read("scan", {"title": "Scan a part", "about": ["Two ways."], "steps": ["Scan it."]})
>>> topic.title, texts(topic)
('Scan a part', ('Two ways.', 'Scan it.'))

Source: ours.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

Pairs = tuple[tuple[str, str], ...]
_LINK = re.compile(r"\[([^|\[\]]+)\|([^|\[\]]+)\]")
_SINGLE = {"title", "also", "group"}
_LISTS = {"about", "steps", "see", "pages"}
_PAIRS = {"words", "trouble", "cautions"}


@dataclass(frozen=True, slots=True)
class Topic:
    """One task or question. `words`: word and meaning; `trouble`: what one sees, what to do; `cautions`: what
    and who says so. `see`: slugs of others; `pages`: how the names of its views begin; `also`: words that
    a search finds it by besides.
    """

    slug: str
    title: str
    group: str = ""
    about: tuple[str, ...] = ()
    steps: tuple[str, ...] = ()
    words: Pairs = ()
    trouble: Pairs = ()
    cautions: Pairs = ()
    see: tuple[str, ...] = ()
    pages: tuple[str, ...] = ()
    also: str = ""


def read(slug: str, table: Mapping[str, Any], *, language: str = "") -> Topic:
    """A topic from its table; with a language, from one whose texts are given in each. ValueError: an entry
    that no topic has; KeyError: no title, or a text that lacks the language.
    """
    if unknown := table.keys() - _SINGLE - _LISTS - _PAIRS:
        raise ValueError(f"{slug}: {', '.join(sorted(unknown))}")
    found: dict[str, Any] = {"title": table["title"]}
    for name, value in table.items():
        said = value[language] if isinstance(value, dict) else value
        if name in _PAIRS:
            said = tuple((first, second) for first, second in said)
        found[name] = tuple(said) if name in _LISTS else said
    return Topic(slug, **found)


def parts(text: str) -> list[tuple[str, str]]:
    """A text in pieces: words, and where they lead (empty: nowhere).

    >>> parts("See [Today|home].")
    [('See ', ''), ('Today', 'home'), ('.', '')]
    """
    pieces, at = [], 0
    for link in _LINK.finditer(text):
        pieces += [(text[at : link.start()], ""), (link[1], link[2])]
        at = link.end()
    return [piece for piece in [*pieces, (text[at:], "")] if piece[0]]


def plain(text: str) -> str:
    """A text without its links."""
    return _LINK.sub(r"\1", text)


def texts(topic: Topic) -> tuple[str, ...]:
    """Everything that a topic says below its title, in its order, without links."""
    pairs = [f"{word}: {meaning}" for word, meaning in topic.words]
    pairs += [f"{seen} {answer}" for seen, answer in topic.trouble]
    pairs += [text for text, _ in topic.cautions]
    return tuple(plain(text) for text in (*topic.about, *topic.steps, *pairs))
