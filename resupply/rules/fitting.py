"""Fitting: where a mask of a style may leak, the steps in the patient's sight, what to do about trouble.

The rule in plain words. Each style has its own places to look for leak and its own order of straps. A
problem has remedies in order: what to try, when to refit, when to refer. Remedies that name a style or a
place of leak are for those; the others are for all. Nothing here changes a prescription.

Edge cases: a place that is no leak site of the style cannot be marked on its map; a strong leak at one place
weighs more than slight ones at several.

Sources: every row of `fitting.toml` and `remedies.toml` names its own, with a mark.

>>> sites("full_face")
('bridge', 'eyes', 'cheeks', 'chin')
>>> [step.id for step in steps("hybrid")][:3]
['face', 'hold_hybrid', 'straps_upper']
>>> worst({"bridge": Leak.SLIGHT, "chin": Leak.STRONG})
<Leak.STRONG: 'strong'>
>>> [remedy.act.value for remedy in remedies("nostrils", style="nasal")]
['refer']
"""

import tomllib
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from pathlib import Path
from typing import Any


class Leak(StrEnum):
    """How much air escapes at a place."""

    NONE = "none"
    SLIGHT = "slight"
    STRONG = "strong"


class Act(StrEnum):
    """What a remedy amounts to, in the order in which it is done."""

    TRY = "try"
    REFIT = "refit"
    REFER = "refer"


@dataclass(frozen=True, slots=True)
class Site:
    """A place where a mask may leak; names by language."""

    id: str
    name: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Said:
    """A step of a fitting, or something to watch, by language; no styles: for every style."""

    id: str
    text: Mapping[str, str]
    mark: str
    source: str
    styles: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Problem:
    """Something that troubles a wearer."""

    id: str
    name: str


@dataclass(frozen=True, slots=True)
class Remedy:
    """One thing to do about a problem, for some styles (none named: all) and a place of leak (empty: any)."""

    problem: str
    act: Act
    text: str
    mark: str
    source: str
    styles: tuple[str, ...] = ()
    site: str = ""


def sites(style: str) -> tuple[str, ...]:
    """The leak sites of a style, from above. Raises KeyError for a style without any."""
    return _styles()[style]


def known_styles() -> frozenset[str]:
    """The styles whose leak sites are known."""
    return frozenset(_styles())


@cache
def all_sites() -> Mapping[str, Site]:
    """Every leak site, by id."""
    return {row["id"]: Site(row["id"], row["name"]) for row in _read("fitting.toml")["site"]}


def steps(style: str) -> tuple[Said, ...]:
    """The steps of fitting a mask of a style, in order."""
    return _said("step", style)


def watch(style: str) -> tuple[Said, ...]:
    """What a wearer of a style is asked to watch."""
    return _said("watch", style)


@cache
def problems() -> tuple[Problem, ...]:
    """The problems that have remedies."""
    return tuple(Problem(row["id"], row["name"]) for row in _read("remedies.toml")["problem"])


def remedies(problem: str, *, style: str, leaks: Collection[str] = ()) -> tuple[Remedy, ...]:
    """What to do about a problem of someone who wears a style: to try, to refit, to refer, in that order.

    `leaks`: the places where air escapes. Remedies for a place are left out unless it is one of them.
    """
    order = list(Act)
    wanted = [
        remedy
        for remedy in _remedies()
        if remedy.problem == problem
        and (not remedy.styles or style in remedy.styles)
        and (not remedy.site or remedy.site in leaks)
    ]
    return tuple(sorted(wanted, key=lambda remedy: order.index(remedy.act)))


def worst(leaks: Mapping[str, Leak]) -> Leak:
    """The strongest leak of a map; none where nothing is marked."""
    order = list(Leak)
    return max(leaks.values(), key=order.index, default=Leak.NONE)


def is_better(before: Mapping[str, Leak], after: Mapping[str, Leak]) -> bool:
    """Whether a try leaks less than the one before: at fewer places strongly, or at equally many strongly and
    at fewer slightly.

    >>> slight, strong = Leak.SLIGHT, Leak.STRONG
    >>> is_better({"chin": strong}, {"chin": slight, "eyes": slight, "bridge": slight})
    True
    """
    order = list(Leak)

    def weight(leaks: Mapping[str, Leak]) -> tuple[int, ...]:
        return tuple(sum(leak is grade for leak in leaks.values()) for grade in reversed(order[1:]))

    return weight(after) < weight(before)


@cache
def _styles() -> Mapping[str, tuple[str, ...]]:
    return {row["id"]: tuple(row["sites"]) for row in _read("fitting.toml")["style"]}


def _said(name: str, style: str) -> tuple[Said, ...]:
    rows = [Said(**{**row, "styles": tuple(row.get("styles", ()))}) for row in _read("fitting.toml")[name]]
    return tuple(row for row in rows if not row.styles or style in row.styles)


@cache
def _remedies() -> tuple[Remedy, ...]:
    rows = _read("remedies.toml")["remedy"]
    return tuple(
        Remedy(**{**row, "act": Act(row["act"]), "styles": tuple(row.get("styles", ()))}) for row in rows
    )


@cache
def _read(name: str) -> dict[str, Any]:
    return tomllib.loads(Path(__file__).with_name(name).read_text(encoding="utf-8"))
