"""The topics of staff as they lie in `texts/`, the glossary, and which topic belongs to which page."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

from django.utils.text import slugify

from resupply.rules import help_topics
from resupply.rules.help_search import Entry
from resupply.rules.help_topics import Topic

_TEXTS = Path(__file__).with_name("texts")
GLOSSARY = "glossary.toml"
GROUPS = {
    "everyone": "Everybody",
    "desk": "Front desk: patients and what they say",
    "desk_dispensing": "Front desk: dispensing",
    "desk_messages": "Front desk: messages and patients’ own pages",
    "stock": "Stock",
    "therapist": "Therapist",
    "manager": "Manager: who fell behind, and what lies ahead",
    "manager_records": "Manager: rules, recalls and records",
    "administrator": "Administrator",
    "sign_in": "Signing in",
}
"""Groups of topics -> their names, in the order of the contents. Those of a role begin with its code, and
come first where somebody of it looks.
"""
OPEN = "sign_in"
"""The group that can be read before signing in."""
SIGNING_IN, WORDS = "sign-in", "words"


@dataclass(frozen=True, slots=True)
class Word:
    """A word of the glossary. `also`: what others call it, for the search; `see`: a topic that says more."""

    word: str
    means: str
    also: str = ""
    see: str = ""

    @property
    def anchor(self) -> str:
        """Its place on the page of words."""
        return slugify(self.word)


@cache
def topics() -> Mapping[str, Topic]:
    """Every topic by its slug. ValueError: one of no group, or twice."""
    found: dict[str, Topic] = {}
    for file in sorted(_TEXTS.glob("*.toml")):
        if file.name == GLOSSARY:
            continue
        for slug, table in _read(file).items():
            topic = help_topics.read(slug, table)
            if slug in found or topic.group not in GROUPS:
                raise ValueError(f"{file.name}: {slug}")
            found[slug] = topic
    return MappingProxyType(found)


@cache
def words() -> tuple[Word, ...]:
    """The glossary, in the order of the alphabet."""
    rows = (Word(word, **row) for word, row in _read(_TEXTS / GLOSSARY).items())
    return tuple(sorted(rows, key=lambda row: row.word.casefold()))


def groups(first: str) -> list[tuple[str, list[Topic]]]:
    """Groups with their topics, those of a role before the others."""
    order = sorted(GROUPS, key=lambda group: not group.startswith(first))
    return [
        (GROUPS[group], [topic for topic in topics().values() if topic.group == group]) for group in order
    ]


def topic_of(view_name: str) -> Topic | None:
    """The topic of a page: where the longest of the beginnings fits its view's name."""
    fitting = [
        (len(start), topic)
        for topic in topics().values()
        for start in topic.pages
        if view_name.startswith(start)
    ]
    return max(fitting, key=lambda one: one[0])[1] if fitting else None


@cache
def entries() -> tuple[Entry, ...]:
    """Everything that a search of staff looks through: topics, and words (key `#anchor`)."""
    found = [
        Entry(topic.slug, topic.title, topic.also, help_topics.texts(topic)) for topic in topics().values()
    ]
    return (*found, *(Entry(f"#{row.anchor}", row.word, row.also, (row.means,)) for row in words()))


def _read(file: Path) -> dict[str, dict[str, Any]]:
    return tomllib.loads(file.read_text("utf-8"))
