"""Finding patients, and the rows of a patient's page and history."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from django.db.models import Prefetch, QuerySet

from resupply.models import Consent, Coverage, Dispense, DispenseLine, Event, FindToken, Message, Patient

MOST_FOUND = 12
_CANDIDATES = 200
"""Patients looked at per search: beyond them a longer word is needed anyway, and the search stays fast."""


def find_patients(among: QuerySet[Patient], words: Sequence[str]) -> list[Patient]:
    """At most `MOST_FOUND` of `among` with every (folded) word at the start of one of their find tokens.

    Those whose tokens equal every word come first, then by name. No words find nobody.
    """
    if not words:
        return []
    exact = _matching(among, words, "token")
    found = list(exact.order_by("family_name", "given_name", "pk")[:MOST_FOUND])
    if len(found) < MOST_FOUND:
        # The candidates are taken unordered, so that a common first letter does not sort the whole clinic.
        near = _matching(among.exclude(pk__in=[p.pk for p in found]), words, "token__startswith")
        candidates = list(near.order_by().values_list("pk", flat=True)[:_CANDIDATES])
        more = Patient.objects.filter(pk__in=candidates).select_related("location")
        found += more.order_by("family_name", "given_name", "pk")[: MOST_FOUND - len(found)]
    return found


def recent_patients(among: QuerySet[Patient], *, at_most: int = MOST_FOUND) -> list[Patient]:
    """The patients something was dispensed to last, newest first: what an empty search shows."""
    newest = Dispense.objects.filter(patient__in=among, voided_at=None).order_by("-recorded_at", "-pk")
    ids = list(dict.fromkeys(newest.values_list("patient_id", flat=True)[: at_most * 4]))[:at_most]
    by_id = among.select_related("location").in_bulk(ids)
    return [by_id[pk] for pk in ids if pk in by_id]


def _matching(among: QuerySet[Patient], words: Iterable[str], lookup: str) -> QuerySet[Patient]:
    """Patients with a token for every word; the longest, most telling word is asked first."""
    for word in sorted(set(words), key=len, reverse=True):
        holders = FindToken.objects.filter(**{lookup: word}).values("patient_id")
        among = among.filter(pk__in=holders)
    return among.select_related("location")


@dataclass(frozen=True, slots=True)
class History:
    """What a patient's page shows below the strip; voided records stay, marked."""

    dispenses: list[Dispense]
    events: list[Event]


def history(patient: Patient, *, at_most: int | None = None) -> History:
    """Dispenses with their lines, and events, newest first. Three queries, whatever the history."""
    lines = DispenseLine.objects.select_related("item", "billed_to").order_by("position")
    dispenses = (
        Dispense.objects.filter(patient=patient)
        .select_related("location", "recorded_by", "voided_by")
        .prefetch_related(Prefetch("lines", lines))
        .order_by("-dispensed_on", "-pk")
    )
    events = (
        Event.objects.filter(patient=patient)
        .select_related("recorded_by", "voided_by")
        .order_by("-on", "-pk")
    )
    return History(list(dispenses[:at_most]), list(events[:at_most]))


def coverages(patient: Patient) -> list[Coverage]:
    """Who pays and paid for a patient, standing records only, newest first."""
    rows = Coverage.objects.filter(patient=patient, voided_at=None).select_related("payer")
    return list(rows.order_by("-starts_on", "-pk"))


def coverage_on(rows: Iterable[Coverage], day: date) -> Coverage | None:
    """Of rows ordered newest first, the one in force on a day."""
    return next((row for row in rows if row.starts_on <= day), None)


def consents(patient: Patient) -> list[Consent]:
    """The newest standing yes or no of each channel."""
    rows = Consent.objects.filter(patient=patient, voided_at=None).order_by("channel", "-pk")
    return list(rows.distinct("channel"))


def messages(patient: Patient, *, at_most: int = 100) -> list[Message]:
    """Messages waiting for and sent to a patient, newest first."""
    rows = Message.objects.filter(patient=patient).prefetch_related("reasons")
    return list(rows.order_by("-created_at", "-pk")[:at_most])
