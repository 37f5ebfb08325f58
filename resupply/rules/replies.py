"""What a text that comes in means: stop, help, start, a bare yes or no, or something for a person.

The rule in plain words. Case, accents, punctuation, blanks and polite words do not matter. A text that
consists of a stop word ("stop", "stopall", "end", "cancel", "unsubscribe", "quit", "revoke", "opt out",
"parar", "alto", "cancelar", "baja") is an opt-out, and so is a sentence that asks not to be written to any
more, in English or Spanish, or says that the number is the wrong one. A text that consists of "help", "info"
or "ayuda" asks who we are. "Start" and "unstop" ask to be written to again. A text that consists of a yes or
a no may answer a question, but is no record of an answer: it does not say to which part. Everything else is
for a person.

Edge cases. A stop that is denied ("don't stop", "no pares", "the noise won't stop") is no opt-out; a person
reads it. A stop in a sentence about something else ("I will stop by", "should I stop using it?") is none
either. "Why don't you stop texting me" is one. "End" and "quit" count only where they are all that was
written: they may speak of treatment, or of worse. Where a text holds a stop and something else, the stop
holds at once and a person reads the rest (`is_keyword` is False).

Sources: stop words and "any reasonable means": 47 CFR 64.1200(a)(10), and the CTIA Messaging Principles, both
from memory; the sentences and the Spanish are ours (`replies.toml`). Where in doubt between an opt-out and
none, the opt-out is the smaller harm: it is confirmed, undone by "start", and a person reads it.

>>> read(" Stop ")
Reading(meaning=<Meaning.STOP: 'stop'>, is_keyword=True)
>>> read("ya no me mande mensajes")
Reading(meaning=<Meaning.STOP: 'stop'>, is_keyword=False)
>>> read("The noise won't stop").meaning
<Meaning.OTHER: 'other'>
>>> read("¿Ayuda?").meaning
<Meaning.HELP: 'help'>
"""

import re
import tomllib
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from pathlib import Path


class Meaning(StrEnum):
    """What a text that came in is read to mean."""

    STOP = "stop"
    HELP = "help"
    START = "start"
    YES = "yes"
    NO = "no"
    OTHER = "other"


class Reply(StrEnum):
    """What is written back at once. It answers a text, so it counts towards no cap and waits for no hour.

    The values are purposes of messages and names of wordings.
    """

    STOPPED = "stopped"
    STARTED = "started"
    HELP = "help"
    LINK_AGAIN = "link_again"


REPLIES = tuple(reply.value for reply in Reply)


@dataclass(frozen=True, slots=True)
class Reading:
    """A meaning, and whether the text says nothing besides (`is_keyword`): if not, a person reads it too."""

    meaning: Meaning
    is_keyword: bool


LONGEST_READ = 2000
"""Characters of a text that are read: nobody types more, and patterns stay fast."""


def read(body: str) -> Reading:
    """What a text means; `body` as it came, of any length and content."""
    table = _table()
    words = _words(body)
    text = " ".join(words)
    core = [word for word in words if word not in table.polite]
    for said in (text, " ".join(core)):
        if said in table.wholes:
            return Reading(table.wholes[said], is_keyword=True)
    alone = _alone(frozenset(core), table.words)
    if alone is not None:
        return Reading(alone, is_keyword=True)
    asks = table.complaints.search(text) or table.sentences.search(table.denied.sub("denied", text))
    return Reading(Meaning.STOP if asks else Meaning.OTHER, is_keyword=False)


def _alone(core: frozenset[str], known: Mapping[Meaning, frozenset[str]]) -> Meaning | None:
    """The meaning of a text whose words all say the same; with a stop, "help" does not count."""
    for meaning, words in known.items():
        if core and core <= words:
            return meaning
    stops = known[Meaning.STOP]
    return Meaning.STOP if core & stops and core <= stops | known[Meaning.HELP] else None


_APOSTROPHES = re.compile(r"['’‘`´ʼ\u200b-\u200f\u2060\ufeff]")
_WORD = re.compile(r"[^\W_]+")


def _words(body: str) -> list[str]:
    """The words of a text: lower case, no accents, apostrophes or punctuation; "s t o p" is one word."""
    joined = _APOSTROPHES.sub("", body[:LONGEST_READ])
    spread = unicodedata.normalize("NFKD", joined.casefold())
    words = _WORD.findall("".join(letter for letter in spread if not unicodedata.combining(letter)))
    if len(words) > 2 and all(len(word) == 1 for word in words):
        return ["".join(words)]
    return words


@dataclass(frozen=True, slots=True)
class _Table:
    """`replies.toml`, ready to be looked up in."""

    words: Mapping[Meaning, frozenset[str]]
    polite: frozenset[str]
    wholes: Mapping[str, Meaning]
    denied: re.Pattern[str]
    complaints: re.Pattern[str]
    sentences: re.Pattern[str]


@cache
def _table() -> _Table:
    raw = tomllib.loads(Path(__file__).with_suffix(".toml").read_text("utf-8"))
    parts = {name: "|".join(words.split()).replace(".", " ") for name, words in raw["parts"].items()}
    sayable = [meaning for meaning in Meaning if meaning != Meaning.OTHER]
    return _Table(
        words={meaning: frozenset(raw["words"][meaning].split()) for meaning in sayable},
        polite=frozenset(raw["words"]["polite"].split()),
        wholes={whole: Meaning(meaning) for meaning, wholes in raw["wholes"].items() for whole in wholes},
        denied=_any_of(raw["denied"]["patterns"], parts),
        complaints=_any_of(raw["stop"]["complaints"], parts),
        sentences=_any_of(raw["stop"]["patterns"], parts),
    )


def _any_of(patterns: Iterable[str], parts: Mapping[str, str]) -> re.Pattern[str]:
    """One pattern for all, each of whole words, with its <lists> filled in."""
    filled = (re.sub(r"<(\w+)>", lambda name: parts[name[1]], pattern) for pattern in patterns)
    return re.compile("|".join(rf"(?:\b(?:{pattern})(?!\w))" for pattern in filled))
