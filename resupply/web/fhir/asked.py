"""What a search asks for, read strictly: a parameter nobody knows is refused, never ignored.

Ignoring one, as R4 section 3.1.1.6 allows, would answer a narrow question with everybody.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from uuid import UUID

from django.core import signing
from django.http import QueryDict

from resupply.delivery.fhir.capability import BODY_ONLY, SEARCHES
from resupply.queries.sharing import MOST, PAGE, Between, Sought

_SALT = "fhir.page"
_SHAPING = frozenset({"_count", "_format", "_page"})
_DATE = re.compile(r"(?P<prefix>eq|ge|le|gt|lt)?(?P<day>\d{4}-\d{2}-\d{2})")


class UnclearError(Exception):
    """A search that cannot be answered; its text says what to change, and quotes no value."""


@dataclass(frozen=True, slots=True)
class Asked:
    """A search as read: what it seeks, how many on a page, and the key it goes on after (0: none)."""

    sought: Sought
    count: int
    after: int


def read_search(resource: str, query: QueryDict, body: QueryDict | None) -> Asked:
    """Read the parameters of a search. Raises UnclearError."""
    known = SEARCHES[resource]
    asked = _collected(query, known, may_tell_who=False)
    if body is not None:
        asked |= _collected(body, known, may_tell_who=True)
    sought = Sought()
    for name, values in asked.items():
        if name not in _SHAPING:
            sought = _with(sought, name, values)
    if asked.get("_format", ["json"])[-1] not in ("json", "application/json", "application/fhir+json"):
        raise UnclearError("Only JSON is given: leave _format out, or say json.")
    return Asked(sought, _count(asked.get("_count", [])), _after(asked.get("_page", [])))


def page_token(key: int) -> str:
    """What an address carries to go on after a key; signed, so that only our own are followed."""
    return signing.dumps(key, salt=_SALT)


def _collected(given: QueryDict, known: Iterable[str], *, may_tell_who: bool) -> dict[str, list[str]]:
    found = {}
    for name, values in given.lists():
        if name in BODY_ONLY and not may_tell_who:
            raise UnclearError(f"{name} tells who somebody is: send it in the body of a POST to _search.")
        if name not in known and name not in _SHAPING:
            raise UnclearError(f"There is no search parameter of that name here; known: {', '.join(known)}.")
        if not all(values):
            raise UnclearError(f"{name} is empty: give it a value or leave it out.")
        if any("\0" in value for value in values):
            raise UnclearError(f"{name} holds a sign that no value holds.")
        found[name] = [str(value) for value in values]
    return found


def _with(sought: Sought, name: str, values: Sequence[str]) -> Sought:
    """One more parameter. Given twice, both must hold (R4 3.1.1.4), which only dates can. A code that cannot
    be is found nowhere; what is no value of its type is an error (R4 3.1.1.3, from memory), such as another
    word for a boolean.
    """
    if name == "authored-on":
        return replace(sought, authored=_between(values))
    if len(values) > 1:
        raise UnclearError(f"{name} may be given once.")
    value = values[0]
    match name:
        case "_id":
            return replace(sought, id=value)
        case "identifier":
            return replace(sought, identifier=value.rpartition("|")[2])
        case "birthdate":
            return replace(sought, born_on=_day(value, ("eq",))[1])
        case "patient" | "subject":
            return replace(sought, patient=_reference(name, value, sought.patient))
        case _:  # active, status
            words = frozenset(part.rpartition("|")[2] for part in value.split(","))
            if name == "active" and not words <= {"true", "false"}:
                raise UnclearError("active is true or false.")
            return replace(sought, status=words)


def _reference(name: str, value: str, present: UUID | None) -> UUID:
    kind, _, text = value.rpartition("/")
    try:
        found = UUID(text)
    except ValueError:
        found = None
    if found is None or kind not in ("", "Patient"):
        raise UnclearError(f"{name} is the id of a patient, as in Patient/[id].")
    if present not in (None, found):
        raise UnclearError("patient and subject name two patients.")
    return found


def _between(values: Sequence[str]) -> Between:
    """The days that all of the conditions leave."""
    least: date | None = None
    most: date | None = None
    for value in values:
        prefix, day = _day(value, ("eq", "ge", "le", "gt", "lt"))
        if prefix in ("eq", "ge", "gt"):
            first = day + timedelta(days=prefix == "gt")
            least = first if least is None else max(least, first)
        if prefix in ("eq", "le", "lt"):
            last = day - timedelta(days=prefix == "lt")
            most = last if most is None else min(most, last)
    return Between(least, most)


def _day(value: str, prefixes: Sequence[str]) -> tuple[str, date]:
    found = _DATE.fullmatch(value)
    prefix = (found["prefix"] or "eq") if found else ""
    try:
        day = date.fromisoformat(found["day"]) if found else None
    except ValueError:
        day = None
    if day is None or prefix not in prefixes or not date(1800, 1, 1) <= day <= date(9000, 1, 1):
        raise UnclearError(
            "A day is written YYYY-MM-DD, and for authored-on may follow eq, ge, le, gt or lt."
        )
    return prefix, day


def _count(values: Sequence[str]) -> int:
    if not values:
        return PAGE
    text = values[-1]
    if not (text.isascii() and text.isdigit() and len(text) < 7 and int(text) > 0):
        raise UnclearError("_count is a number from 1 on.")
    return min(int(text), MOST)


def _after(values: Sequence[str]) -> int:
    if not values:
        return 0
    try:
        return int(signing.loads(values[-1], salt=_SALT))
    except (signing.BadSignature, ValueError, TypeError) as error:
        raise UnclearError("_page is not one of ours: start the search anew.") from error
