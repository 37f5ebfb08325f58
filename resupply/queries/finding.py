"""Finding patients as someone types: every word starts one of a patient's find tokens.

The search must answer at once among a million patients, also where each word fits a fifth of them. So it
walks one index and stops early: a word is walked in the order of the index (token, patient), or for staff of
some locations (location, token, patient), and each patient passed is tried for the other words by the index
(patient, token). A word with few entries is walked to its end. Else two words are walked in turn, so many
entries of each: where the first is common and the second is not, walking the second finds. If both ended with
too few patients, the words keep apart ("1/" and "2/" as beginnings of a birth date), or all are rare: then
all entries of all words meet as sets.

The probes are subqueries with one row each, which PostgreSQL does not turn into joins: its estimate takes
words for independent and would read the whole table where they are not.
"""

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from django.db.models import F, OuterRef, QuerySet, Subquery
from django.db.models.fields.tuple_lookups import TupleGreaterThanOrEqual, TupleLessThan

from resupply.models import Dispense, FindToken, Patient
from resupply.models.encrypted import keyed_hash, keyed_hashes

MOST_FOUND = 12
PHONE_ENDS = (4, 7, 10)
"""So many last digits of a telephone number find it."""
_NUMBERS = re.compile(r"[\d()+./-]*\d[\d()+./-]*")
LOOKED_AT = 500
"""Index entries of a word walked one by one for each other word, about 4 µs each; more are met as sets."""
_CANDIDATES = 50
"""Patients put in order of name: beyond them a longer word is needed anyway."""

_LAST = "\U0010ffff"
"""Comes after every letter, and is none."""

Rows = QuerySet[FindToken]
Entry = tuple[str, int]


def phone_token(digits: str) -> str:
    """The find token of a telephone number, or of an end of one: a keyed hash, as the number is encrypted."""
    return f"#{keyed_hash(f'phone:{digits}')}"


def phone_tokens(digits: str) -> list[str]:
    """The same under every index key: while one is changed, patients are found by either."""
    return [f"#{found}" for found in keyed_hashes(f"phone:{digits}")]


def phone_words(words: Sequence[str]) -> list[list[str]]:
    """The words with all that look like a telephone number taken as one, for each index key; none: none
    does.
    """
    numbers = [word for word in words if _NUMBERS.fullmatch(word)]
    digits = "".join(re.sub(r"\D", "", word) for word in numbers)
    if len(digits) < min(PHONE_ENDS):
        return []
    others = [word for word in words if word not in numbers]
    return [[*others, token] for token in phone_tokens(digits)]


def find_patients(
    among: QuerySet[Patient], words: Sequence[str], *, at: Collection[int] = (), looked_at: int = LOOKED_AT
) -> list[Patient]:
    """At most `MOST_FOUND` of `among` whom the words fit; those whose telephone number they fit come last.

    A telephone number is found by all its digits or by the last 4, 7 or 10 (it is stored as keyed hashes of
    these), however it is spelled. `at` as in `_find`.
    """
    found = _find(among, words, at=at, looked_at=looked_at)
    for by_phone in phone_words(words) if len(found) < MOST_FOUND else []:
        more = _find(among.exclude(pk__in=[one.pk for one in found]), by_phone, at=at, looked_at=looked_at)
        found = [*found, *more][:MOST_FOUND]
    return found


def _find(
    among: QuerySet[Patient], words: Sequence[str], *, at: Collection[int], looked_at: int
) -> list[Patient]:
    """At most `MOST_FOUND` of `among` with every (folded) word at the start of one of their find tokens.

    `at`: ids of the locations whose patients `among` is limited to, none: of all; what else it leaves out
    should have no tokens. Those whose tokens equal every word come first, then by name; of more than fifty,
    some fifty are put in order. No words find nobody.
    """
    if not words:
        return []
    telling = sorted(set(words), key=lambda word: (-len(word), word))
    whole = _holders(telling, _Entries(True, at), looked_at)
    found = _by_name(among, whole)
    if len(found) == MOST_FOUND:
        return found
    near = _holders(telling, _Entries(False, at), looked_at)
    return found + _by_name(among, set(near).difference(whole))[: MOST_FOUND - len(found)]


def recent_patients(among: QuerySet[Patient], *, at_most: int = MOST_FOUND) -> list[Patient]:
    """The patients something was dispensed to last, newest first: what an empty search shows."""
    newest = Dispense.objects.filter(patient__in=among, voided_at=None).order_by("-recorded_at", "-pk")
    ids = list(dict.fromkeys(newest.values_list("patient_id", flat=True)[: at_most * 4]))[:at_most]
    by_id = among.select_related("location").in_bulk(ids)
    return [by_id[pk] for pk in ids if pk in by_id]


def _by_name(among: QuerySet[Patient], ids: Collection[int]) -> list[Patient]:
    rows = among.filter(pk__in=ids).select_related("location") if ids else Patient.objects.none()
    return list(rows.order_by("family_name", "given_name", "pk")[:MOST_FOUND])


@dataclass(frozen=True, slots=True)
class _Entries:
    """Find tokens of some locations (none: of all) that equal a word, or start with it."""

    whole: bool
    at: Collection[int]

    def anywhere(self, word: str) -> Rows:
        """Those for a word, whatever the location; beginnings as a range, which is cheaper than LIKE."""
        if self.whole:
            return FindToken.objects.filter(token=word)
        return FindToken.objects.filter(token__gte=word, token__lt=word + _LAST)

    def of(self, word: str) -> Rows:
        """Those for a word."""
        return self._here(self.anywhere(word))

    def before(self, word: str, edge: Entry) -> Rows:
        """Those for a word up to an edge. The range stands alone: beside the beginning as another upper bound
        PostgreSQL would read on to that one.
        """
        entry = F("token"), F("patient_id")
        rows = FindToken.objects.filter(TupleGreaterThanOrEqual(entry, (word, 0)), TupleLessThan(entry, edge))
        return self._here(rows)

    def edge(self, word: str, number: int) -> Entry | None:
        """The entry for a word with so many before it, if there is one."""
        return _in_order(self.of(word)).values_list("token", "patient_id")[number : number + 1].first()

    def _here(self, rows: Rows) -> Rows:
        return rows.filter(location__in=self.at) if self.at else rows


def _holders(words: Sequence[str], entries: _Entries, looked_at: int) -> list[int]:
    """Ids of patients with an entry for every word: all of them, or at least `MOST_FOUND` and at most
    `_CANDIDATES`.
    """
    if len(words) == 1:
        return _ids(_in_order(entries.of(words[0]))[: 2 * _CANDIDATES])
    edges: dict[str, Entry] = {}
    for word in words:
        edge = entries.edge(word, looked_at * (len(words) - 1))
        if edge is None:  # few: all of them are walked
            return _walk(entries.of(word), word, words, entries)
        edges[word] = edge
    for word in words[:2]:
        found = _walk(entries.before(word, edges[word]), word, words, entries)
        if len(found) >= MOST_FOUND:
            return found
    return _ids(_met([entries.of(word) for word in words]))


def _walk(rows: Rows, walked: str, words: Sequence[str], entries: _Entries) -> list[int]:
    """Patients met on the way along entries of one word who have the other words as well."""
    for number, word in enumerate(words):
        if word != walked:
            rows = _where(rows, f"word{number}", entries.anywhere(word).filter(patient=OuterRef("patient")))
    return _ids(_in_order(rows)[: 2 * _CANDIDATES])


def _met(wanted: Sequence[Rows]) -> Rows:
    """All entries of all words as sets; not limited, or the planner would walk them one by one after all."""
    every = wanted[0].order_by()
    for rows in wanted[1:]:
        every = every.filter(patient__in=rows.values("patient"))
    return every


def _in_order(rows: Rows) -> Rows:
    return rows.order_by("token", "patient_id")


def _where(walk: Rows, name: str, probe: Rows) -> Rows:
    """Only rows for which the probe finds one."""
    first = Subquery(probe.order_by().values("pk")[:1])
    kept: Rows = walk.alias(**{name: first}).filter(**{f"{name}__isnull": False})
    return kept


def _ids(rows: Rows) -> list[int]:
    """The patients of entries, each once."""
    return list(dict.fromkeys(rows.values_list("patient_id", flat=True)))[:_CANDIDATES]
