"""The rows of a patient's page and history."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from itertools import groupby
from typing import Any
from uuid import UUID

from django.contrib.postgres.expressions import ArraySubquery
from django.db.models import OuterRef, QuerySet, Subquery
from django.db.models.functions import Coalesce

from resupply.models import (
    Channel,
    Consent,
    Coverage,
    Dispense,
    DispenseLine,
    Event,
    EventType,
    Message,
    Patient,
)
from resupply.queries import equipment, said, screening
from resupply.queries.answers import standing_yeses
from resupply.queries.consents import newest_consent
from resupply.queries.equipment import DeviceNow, OrderNow
from resupply.queries.open_days import days_off_column
from resupply.queries.payers import begun
from resupply.queries.said import AnswerSaid, ContactMade
from resupply.rules.kinds import Kind
from resupply.rules.magnets import Verdict
from resupply.rules.purposes import Purpose


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

    The lines are those from a day on, a value by itself: with one more table to join, a list of dispenses,
    they are more than PostgreSQL puts in order by cost (`join_collapse_limit`), and it read the lines of all
    patients.
    """
    lines = (
        _from_day(patient, dispenses)
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


def _from_day(patient: Patient, dispenses: int | None) -> QuerySet[DispenseLine]:
    """A patient's lines since the day of the dispense that is one too many; all, where there is none."""
    lines = DispenseLine.objects.filter(dispense__patient=patient)
    if dispenses is None:
        return lines
    days = Dispense.objects.filter(patient=patient).order_by("-dispensed_on").values("dispensed_on")
    one_too_many = Subquery(days[dispenses : dispenses + 1])
    return lines.filter(dispense__dispensed_on__gte=Coalesce(one_too_many, date.min))


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
    """The newest answer about being asked by e-mail; None: never asked."""
    may_text: bool | None
    """The same about text messages."""
    pause_id: UUID | None
    """A pause without an end, and the day it starts."""
    pause_on: date | None
    device: DeviceNow | None
    order: OrderNow | None
    said_yes: tuple[str, ...]
    """The kinds said yes to and not given yet, whichever answer it was."""
    answers: tuple[AnswerSaid, ...]
    contacts: tuple[ContactMade, ...]
    magnets: Verdict
    """Whether magnetic parts are stopped."""
    days_off: tuple[date, ...]
    """Days off of the patient's location from that day on."""


def standing(patient: Patient, *, today: date) -> Standing:
    """Who pays, which mask is worn on what device, whether messages are welcome, what pauses. One query."""
    row: Mapping[str, Any] = Patient.objects.filter(pk=patient.pk).values(**_columns(today)).get()
    refitted_later = row["refit_on"] and not (row["mask_on"] and row["mask_on"] > row["refit_on"])
    return Standing(
        row["payer"] or "",
        (row["refit"] if refitted_later else row["mask"]) or "",
        row["may_mail"],
        row["may_text"],
        row["pause"],
        row["pause_on"],
        *equipment.read(row),
        tuple(row["said_yes"]),
        *said.read(row, today=today),
        screening.read(row["screens"], today=today),
        tuple(row["days_off"]),
    )


def _columns(today: date) -> dict[str, Any]:
    """Expressions of what `standing` says, for a query on patients."""
    mask = DispenseLine.objects.filter(
        dispense__patient=OuterRef("pk"), kind=Kind.MASK, voided_at=None, dispense__dispensed_on__lte=today
    ).exclude(family="")
    newest_mask = mask.order_by("-dispense__dispensed_on", "-pk")
    events = Event.objects.filter(patient=OuterRef("pk"), voided_at=None).order_by("-on", "-pk")
    refit = events.filter(event=EventType.REFIT, on__lte=today)
    pause = events.filter(event=EventType.PAUSE, until=None)
    yeses = standing_yeses(today=today).filter(answer__patient=OuterRef("pk")).order_by("kind")
    return {
        "payer": Subquery(begun(OuterRef("pk"), today).values("payer__name")[:1]),
        "may_mail": newest_consent(Channel.MAIL, Purpose.QUESTION, "pk"),
        "may_text": newest_consent(Channel.TEXT, Purpose.QUESTION, "pk"),
        "mask": Subquery(newest_mask.values("family")[:1]),
        "mask_on": Subquery(newest_mask.values("dispense__dispensed_on")[:1]),
        "refit": Subquery(refit.values("family")[:1]),
        "refit_on": Subquery(refit.values("on")[:1]),
        "pause": Subquery(pause.values("public_id")[:1]),
        "pause_on": Subquery(pause.values("on")[:1]),
        "said_yes": ArraySubquery(yeses.values("kind")),
        "screens": screening.column(),
        "days_off": days_off_column("location", since=today),
        **equipment.columns(),
        **said.columns(),
    }


def coverages(patient: Patient) -> list[Coverage]:
    """Who pays and paid for a patient, standing records only, newest first."""
    rows = Coverage.objects.filter(patient=patient, voided_at=None).select_related("payer")
    return list(rows.order_by("-starts_on", "-pk"))


def coverage_on(rows: Iterable[Coverage], day: date) -> Coverage | None:
    """Of rows ordered newest first, the one in force on a day."""
    return next((row for row in rows if row.starts_on <= day), None)


def consents(patient: Patient) -> list[Consent]:
    """The standing records that count for something, by channel, the newest first: the newest yes or no to
    every purpose, and of those to one purpose the newest, where it came later.
    """
    found: dict[tuple[str, str], Consent] = {}
    for row in Consent.objects.filter(patient=patient, voided_at=None).order_by("channel", "-pk"):
        if (row.channel, "") not in found:
            found.setdefault((row.channel, row.purpose), row)
    return list(found.values())


def messages(patient: Patient) -> QuerySet[Message]:
    """Messages waiting for and sent to a patient, newest first."""
    rows = Message.objects.filter(patient=patient).select_related("question__answer")
    return rows.prefetch_related("reasons", "occasions").order_by("-created_at", "-pk")
