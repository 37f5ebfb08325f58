"""Help for patients, in English and Spanish: topics for their pages, and the few words around them.

>>> [label("help", language) for language in LANGUAGES]
['Help', 'Ayuda']
>>> page_topic("me:report", "en").title, page_topic("feed:calendar", "en")
('Air leaks, or my skin is sore', None)

It never tells anyone to change or stop therapy, and it defers to the doctor and the leaflet of each part.
Source: ours; cleaning and magnets as in `cleaning_tasks.toml` and `implants.toml`.
"""

import tomllib
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

from resupply.rules import help_topics
from resupply.rules.help_topics import Topic
from resupply.rules.patient_page import LANGUAGES

__all__ = ["LANGUAGES", "label", "labels", "page_topic", "pairs", "topics"]


@cache
def topics(language: str) -> Mapping[str, Topic]:
    """Every topic by its slug, in the order of its table. KeyError: a text lacks the language."""
    return MappingProxyType(
        {
            slug: help_topics.read(slug, table, language=language)
            for slug, table in _table().items()
            if slug != "labels"
        }
    )


@cache
def labels(language: str) -> Mapping[str, str]:
    """Headings and buttons around the topics."""
    return MappingProxyType({key: text[language] for key, text in _table()["labels"].items()})


def label(key: str, language: str) -> str:
    """One of them."""
    return labels(language)[key]


def page_topic(view_name: str, language: str) -> Topic | None:
    """The topic of a page: where the longest of the beginnings fits its view's name."""
    fitting = [
        (len(start), topic)
        for topic in topics(language).values()
        for start in topic.pages
        if view_name.startswith(start)
    ]
    return max(fitting, key=lambda one: one[0])[1] if fitting else None


def pairs() -> list[tuple[str, str]]:
    """Every sentence, English beside Spanish, for whoever reviews the Spanish."""
    english, spanish = (
        [
            *labels(language).values(),
            *(
                text
                for topic in topics(language).values()
                for text in (topic.title, topic.also, *help_topics.texts(topic))
            ),
        ]
        for language in LANGUAGES
    )
    return list(zip(english, spanish, strict=True))


@cache
def _table() -> dict[str, dict[str, Any]]:
    return tomllib.loads(Path(__file__).with_name("patient_help.toml").read_text("utf-8"))
