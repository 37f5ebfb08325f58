"""Finding patients as someone types: every word starts one of a patient's find tokens.

The search must answer at once among a million patients, also where each word fits a fifth of them. So it
walks one index and stops early: the words are asked how common they are, a telling one is walked in the order
of the index (token, patient), and each patient passed is tried for the other words by the index (patient,
token). At most `LOOKED_AT` entries are walked. If so many were walked and too few patients had every word,
the words keep apart ("1/" and "2/" as beginnings of a birth date): then all entries of all words meet as
sets. For staff of some locations, some of their own patients are looked at before that.

The probes are subqueries with one row each, which PostgreSQL does not turn into joins: its estimate takes
words for independent and would read the whole table where they are not.
"""

from collections import Counter
from collections.abc import Callable, Collection, Sequence
from typing import TypeVar

from django.db.models import F, Model, OuterRef, QuerySet, Subquery
from django.db.models.fields.tuple_lookups import TupleLessThan

from resupply.models import Dispense, FindToken, Patient

MOST_FOUND = 12
LOOKED_AT = 2000
"""Index entries of a word walked one by one, about 4 µs each; more are met as sets."""
_CANDIDATES = 50
"""Patients put in order of name: beyond them a longer word is needed anyway."""

_FEW = 20_000
"""Staff who may see no more patients than that see few."""

Rows = QuerySet[FindToken]
Entry = tuple[str, int]
M = TypeVar("M", bound=Model)
W = TypeVar("W", bound=Model)


def find_patients(
    among: QuerySet[Patient], words: Sequence[str], *, looked_at: int = LOOKED_AT
) -> list[Patient]:
    """At most `MOST_FOUND` of `among` with every (folded) word at the start of one of their find tokens.

    Those whose tokens equal every word come first, then by name; of more than fifty, some fifty are put in
    order. No words find nobody.
    """
    if not words:
        return []
    telling = sorted(set(words), key=lambda word: (-len(word), word))
    near = _holders(among, telling, _starts, looked_at)
    if len(near) < _CANDIDATES:  # all there are
        whole = _whole(near, telling)
    else:
        whole = set(_holders(among, telling, _is, looked_at))
    found = _by_name(whole)
    return found + _by_name([pk for pk in near if pk not in whole])[: MOST_FOUND - len(found)]


def recent_patients(among: QuerySet[Patient], *, at_most: int = MOST_FOUND) -> list[Patient]:
    """The patients something was dispensed to last, newest first: what an empty search shows."""
    newest = Dispense.objects.filter(patient__in=among, voided_at=None).order_by("-recorded_at", "-pk")
    ids = list(dict.fromkeys(newest.values_list("patient_id", flat=True)[: at_most * 4]))[:at_most]
    by_id = among.select_related("location").in_bulk(ids)
    return [by_id[pk] for pk in ids if pk in by_id]


def _is(word: str) -> Rows:
    return FindToken.objects.filter(token=word)


def _starts(word: str) -> Rows:
    return FindToken.objects.filter(token__startswith=word)


def _whole(ids: Collection[int], words: Collection[str]) -> set[int]:
    """Those of some patients who have each word as it is."""
    having = Counter(
        FindToken.objects.filter(patient__in=ids, token__in=words).values_list("patient", flat=True)
    )
    return {pk for pk, number in having.items() if number == len(words)}


def _by_name(ids: Collection[int]) -> list[Patient]:
    rows = Patient.objects.filter(pk__in=ids).select_related("location") if ids else Patient.objects.none()
    return list(rows.order_by("family_name", "given_name", "pk")[:MOST_FOUND])


def _holders(
    among: QuerySet[Patient], words: Sequence[str], entries: Callable[[str], Rows], looked_at: int
) -> list[int]:
    """Ids of patients with an entry for every word, up to `_CANDIDATES`, whole words of the first before its
    longer ones.
    """
    if len(words) == 1 and not among.query.has_filters():
        return _ids(entries(words[0]).order_by("token", "patient_id")[: 2 * _CANDIDATES])
    first, edge = _walked(words, entries, looked_at)
    others = [entries(word) for word in words if word != first]
    walk = entries(first)
    if edge is not None:
        walk = walk.filter(TupleLessThan((F("token"), F("patient_id")), edge))
    for number, rows in enumerate(others):
        walk = _where(walk, f"word{number}", rows.filter(patient=OuterRef("patient")))
    if among.query.has_filters():
        walk = _where(walk, "may_see", among.filter(pk=OuterRef("patient")))
    found = _ids(walk.order_by("token", "patient_id")[: 2 * _CANDIDATES])
    if edge is None or len(found) >= MOST_FOUND:
        return found
    wanted = [entries(word) for word in words]
    if among.order_by().values("pk")[_FEW : _FEW + 1].exists():
        met = dict.fromkeys(_met(wanted).values_list("patient_id", flat=True))
        return list(among.filter(pk__in=met).values_list("pk", flat=True)[:_CANDIDATES])
    found = _first_of(among, wanted, looked_at)
    return found if len(found) >= MOST_FOUND else _ids(_met(wanted).filter(patient__in=among.values("pk")))


def _first_of(among: QuerySet[Patient], wanted: Sequence[Rows], looked_at: int) -> list[int]:
    """Those of some patients one may see who have every word: quick where few may be seen and many match."""
    people = Patient.objects.filter(pk__in=among.order_by("location_id").values("pk")[:looked_at])
    for number, rows in enumerate(wanted):
        people = _where(people, f"word{number}", rows.filter(patient=OuterRef("pk")))
    return list(people.order_by().values_list("pk", flat=True)[:_CANDIDATES])


def _met(wanted: Sequence[Rows]) -> Rows:
    """All entries of all words as sets; not limited, or the planner would walk them one by one after all."""
    every = wanted[0].order_by()
    for rows in wanted[1:]:
        every = every.filter(patient__in=rows.values("patient"))
    return every


def _walked(words: Sequence[str], entries: Callable[[str], Rows], looked_at: int) -> tuple[str, Entry | None]:
    """The word to walk: the longest with at most `looked_at` entries, else the longest and where to stop."""
    edges: list[Entry] = []
    for word in words:
        in_order = entries(word).order_by("token", "patient_id")
        edge = in_order.values_list("token", "patient_id")[looked_at : looked_at + 1].first()
        if edge is None:
            return word, None
        edges.append(edge)
    return words[0], edges[0]


def _where(walk: QuerySet[W], name: str, probe: QuerySet[M]) -> QuerySet[W]:
    """Only rows for which the probe finds one."""
    first = Subquery(probe.order_by().values("pk")[:1])
    kept: QuerySet[W] = walk.alias(**{name: first}).filter(**{f"{name}__isnull": False})
    return kept


def _ids(rows: Rows) -> list[int]:
    """The patients of entries, each once."""
    return list(dict.fromkeys(rows.values_list("patient_id", flat=True)))[:_CANDIDATES]
