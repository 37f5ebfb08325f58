"""Finding patients, and the rows of a patient's page and history."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby
from uuid import UUID

from django.db.models import OuterRef, QuerySet, Subquery

from resupply.models import (
    Channel,
    Consent,
    Coverage,
    Dispense,
    DispenseLine,
    Event,
    EventType,
    FindToken,
    Message,
    Patient,
)
from resupply.queries import equipment
from resupply.queries.equipment import DeviceNow, OrderNow
from resupply.rules.kinds import Kind

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

    dispenses: list[tuple[Dispense, list[DispenseLine]]]
    events: list[Event]
    is_cut: bool
    """Whether there is more than was asked for."""


def history(patient: Patient, *, dispenses: int | None = None, events: int | None = None) -> History:
    """The newest dispenses with their lines and the newest events, so many of each (None: all). Two
    queries.
    """
    recent = Dispense.objects.filter(patient=patient).order_by("-dispensed_on", "-pk").values("pk")
    lines = (
        DispenseLine.objects.filter(dispense__in=recent[: _one_more(dispenses)])
        .select_related(
            "dispense__location",
            "dispense__recorded_by",
            "dispense__voided_by",
            "item",
            "billed_to",
            "voided_by",
        )
        .order_by("-dispense__dispensed_on", "-dispense", "position")
    )
    happened = (
        Event.objects.filter(patient=patient)
        .select_related("recorded_by", "voided_by")
        .order_by("-on", "-pk")
    )
    given = [(rows[0].dispense, rows) for _, rows in _grouped(lines)]
    found = list(happened[: _one_more(events)])
    is_cut = len(given[:dispenses]) < len(given) or len(found[:events]) < len(found)
    return History(given[:dispenses], found[:events], is_cut)


def _one_more(number: int | None) -> int | None:
    """One row more than is shown tells whether there is more."""
    return None if number is None else number + 1


def _grouped(lines: Iterable[DispenseLine]) -> Iterator[tuple[int, list[DispenseLine]]]:
    """Lines of one dispense together; they come in that order."""
    for key, rows in groupby(lines, key=lambda line: line.dispense_id):
        yield key, list(rows)


@dataclass(frozen=True, slots=True)
class Standing:
    """What a patient's page says at its top, as of a day."""

    payer: str
    """Name of who pays; empty for the patient."""
    mask_family: str
    may_mail: bool | None
    """The newest answer about e-mail; None: never asked."""
    pause_id: UUID | None
    """A pause without an end, and the day it starts."""
    pause_on: date | None
    device: DeviceNow | None
    order: OrderNow | None


def standing(patient: Patient, *, today: date) -> Standing:
    """Who pays, which mask is worn on what device, whether mail is welcome, therapy pauses. One query."""
    payer = Coverage.objects.filter(patient=OuterRef("pk"), starts_on__lte=today, voided_at=None)
    consent = Consent.objects.filter(patient=OuterRef("pk"), channel=Channel.MAIL, voided_at=None)
    mask = DispenseLine.objects.filter(
        dispense__patient=OuterRef("pk"), kind=Kind.MASK, voided_at=None, dispense__dispensed_on__lte=today
    ).exclude(family="")
    refit = Event.objects.filter(
        patient=OuterRef("pk"), event=EventType.REFIT, voided_at=None, on__lte=today
    ).order_by("-on", "-pk")
    pause = Event.objects.filter(
        patient=OuterRef("pk"), event=EventType.PAUSE, until=None, voided_at=None
    ).order_by("-on", "-pk")
    newest_mask = mask.order_by("-dispense__dispensed_on", "-pk")
    row = (
        Patient.objects.filter(pk=patient.pk)
        .values(
            payer=Subquery(payer.order_by("-starts_on", "-pk").values("payer__name")[:1]),
            may_mail=Subquery(consent.order_by("-pk").values("granted")[:1]),
            mask=Subquery(newest_mask.values("family")[:1]),
            mask_on=Subquery(newest_mask.values("dispense__dispensed_on")[:1]),
            refit=Subquery(refit.values("family")[:1]),
            refit_on=Subquery(refit.values("on")[:1]),
            pause=Subquery(pause.values("public_id")[:1]),
            pause_on=Subquery(pause.values("on")[:1]),
            **equipment.columns(),
        )
        .get()
    )
    refitted_later = row["refit_on"] and not (row["mask_on"] and row["mask_on"] > row["refit_on"])
    return Standing(
        row["payer"] or "",
        (row["refit"] if refitted_later else row["mask"]) or "",
        row["may_mail"],
        row["pause"],
        row["pause_on"],
        *equipment.read(row),
    )


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
