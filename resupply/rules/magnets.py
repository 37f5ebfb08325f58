"""Magnets: whether items that hold magnets may be given, from what was said about implants and objects.

Any yes, of the wearer or of anyone in close contact (bed partner, household, carer), blocks magnetic items;
they are not merely kept at a distance. No screen, a "not known", and answers a year old block too, until the
question is asked again. A yes holds over later answers until a screen records that it no longer applies
(`cleared`; services let a therapist do that alone). A screen answers for both persons at once: a person
nobody was asked about is "not known". A lens implanted for cataract is not affected and never counts.

Items whose magnets are unknown count as magnetic; of a bare billing code without an item the same is true
for mask and headgear, and parts of other kinds hold no magnets.

>>> clear = ScreenFacts(date(2026, 3, 28), Said.NO, Said.NO)
>>> verdict(clear, as_of=date(2027, 3, 27))
Verdict(blocked=False, reason=None, ask_again_on=datetime.date(2027, 3, 28))
>>> verdict(clear, as_of=date(2027, 3, 28)).reason  # blocked from that day on
<Reason.OLD: 'old'>
>>> verdict(None, as_of=date(2026, 3, 28))
Verdict(blocked=True, reason=<Reason.NOT_ASKED: 'not_asked'>, ask_again_on=None)
>>> positive = ScreenFacts(date(2026, 1, 5), Said.NO, Said.YES)
>>> verdict(standing([positive, clear]), as_of=date(2026, 3, 28)).reason
<Reason.YES: 'yes'>
>>> verdict(standing([positive, replace(clear, cleared=True)]), as_of=date(2026, 3, 28)).blocked
False
>>> nothing = dict.fromkeys(implants(), Said.NO)
>>> said_of(nothing | {"cataract_lens": Said.YES}), said_of(nothing | {"stent": Said.YES})
(<Said.NO: 'no'>, <Said.YES: 'yes'>)

Source: ours, stricter than the notices in `implants.toml` (they ask to stop where a listed implant is, and
for a distance elsewhere). The list, its sources and the distance shown come from that table.
"""

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum
from functools import cache
from pathlib import Path
from typing import Any

from resupply.rules.kinds import Kind
from resupply.rules.periods import Period, Unit, add

ASKED_AGAIN_AFTER = Period(12, Unit.MONTH)
_MAY_HOLD_MAGNETS = frozenset({Kind.MASK, Kind.HEADGEAR})


class Said(StrEnum):
    """An answer about implants and objects."""

    NO = "no"
    YES = "yes"
    UNKNOWN = "unknown"


class Person(StrEnum):
    """Whose implants and objects are asked about."""

    WEARER = "wearer"
    CLOSE_CONTACT = "close_contact"  # bed partner, household, carer


class Reason(StrEnum):
    """Why magnetic items are stopped. The word says nothing about anyone's health but `yes`."""

    NOT_ASKED = "not_asked"
    NOT_KNOWN = "not_known"
    OLD = "old"
    YES = "yes"


@dataclass(frozen=True, slots=True)
class ScreenFacts:
    """One asking: its day, what it said of the wearer and of anyone in close contact.

    `cleared`: it records that an earlier yes no longer applies.
    """

    asked_on: date
    wearer: Said
    close_contact: Said
    cleared: bool = False


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether magnetic items are blocked, why, and when to ask again (None: now)."""

    blocked: bool
    reason: Reason | None
    ask_again_on: date | None


@dataclass(frozen=True, slots=True)
class Implant:
    """An implant or object of the list. `named_in`: keys of sources that name it; `exempt`: not affected."""

    code: str
    group: str
    name: str
    plain: Mapping[str, str]
    exempt: bool
    named_in: tuple[str, ...]
    mark: str


@dataclass(frozen=True, slots=True)
class Notice:
    """A notice behind the list: who published it, when (None: no day stated), what it says."""

    who: str
    on: date | None
    text: str
    mark: str


def standing(screens: Iterable[ScreenFacts]) -> ScreenFacts | None:
    """What counts of all standing screens, in the order of recording: the newest, with every earlier yes that
    none has cleared since. None: never asked.
    """
    counts: ScreenFacts | None = None
    for screen in screens:
        counts = screen if counts is None or screen.cleared else _holding(counts, screen)
    return counts


def verdict(screen: ScreenFacts | None, *, as_of: date) -> Verdict:
    """Whether magnetic items are blocked on a day by the screen that counts (`standing`)."""
    if screen is None:
        return Verdict(True, Reason.NOT_ASKED, None)
    again = add(screen.asked_on, ASKED_AGAIN_AFTER)
    said = {screen.wearer, screen.close_contact}
    if Said.YES in said:
        return Verdict(True, Reason.YES, again)
    if said != {Said.NO}:
        return Verdict(True, Reason.NOT_KNOWN, None)
    if again <= as_of:
        return Verdict(True, Reason.OLD, again)
    return Verdict(False, None, again)


def may_hold_magnets(kind: Kind, magnetic: str | None) -> bool:
    """Whether a part counts as magnetic: what its item says, unknown being yes; None: no item is known."""
    if magnetic is None:
        return kind in _MAY_HOLD_MAGNETS
    return magnetic != "no"


def said_of(answers: Mapping[str, Said]) -> Said:
    """One person's answers by code of the list in one word: any yes; else any "not known"; else no.

    Exempt items never count. An item of the list without an answer is "not known"; a code that is not on the
    list (any more) counts like one that is.
    """
    exempt = {code for code, implant in implants().items() if implant.exempt}
    given = {answers.get(code, Said.UNKNOWN) for code in (implants().keys() | answers.keys()) - exempt}
    if Said.YES in given:
        return Said.YES
    return Said.UNKNOWN if Said.UNKNOWN in given else Said.NO


@cache
def implants() -> Mapping[str, Implant]:
    """The list by code, in the order it is asked."""
    return {
        row["code"]: Implant(
            code=row["code"],
            group=row["group"],
            name=row["name"],
            plain=row["plain"],
            exempt=row.get("exempt", False),
            named_in=tuple(row["named_in"]),
            mark=row["mark"],
        )
        for row in _table()["item"]
    }


@cache
def notices() -> Mapping[str, Notice]:
    """The notices behind the list, by key."""
    return {
        key: Notice(row["who"], row.get("on"), row["text"], row["mark"])
        for key, row in _table()["sources"].items()
    }


def distance_cm() -> int:
    """The distance shown between magnets and an implant: the largest a regulator gives, in centimetres."""
    shown: int = _table()["distance"]["shown_cm"]
    return shown


def distance_inches() -> int:
    """The distance as notices in inches give it; `distance_cm` is the larger one."""
    shown: int = _table()["distance"]["inches"]
    return shown


def _holding(before: ScreenFacts, screen: ScreenFacts) -> ScreenFacts:
    """A later screen with the yes of an earlier one kept."""
    return replace(
        screen,
        wearer=Said.YES if before.wearer is Said.YES else screen.wearer,
        close_contact=Said.YES if before.close_contact is Said.YES else screen.close_contact,
    )


@cache
def _table() -> dict[str, Any]:
    return tomllib.loads(Path(__file__).with_name("implants.toml").read_text("utf-8"))
