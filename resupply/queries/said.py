"""What a patient said last and how the last contacts ended, as columns of another query on patients.

The patient's page has no query to spare for them; its history page shows the records themselves.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any
from uuid import UUID

from django.contrib.postgres.expressions import ArraySubquery
from django.db.models import OuterRef
from django.db.models.functions import JSONObject

from resupply.models import (
    AnswerChannel,
    Channel,
    Consent,
    Contact,
    Outcome,
    Patient,
    RefillAnswer,
    RefillAnswerItem,
)
from resupply.queries.answers import ANSWER_STANDS, used

SHOWN = 3
"""Answers and contacts on the patient's page."""


@dataclass(frozen=True, slots=True)
class PartSaid:
    """What was said about one part; `is_used`: it has been dispensed since."""

    kind: str
    wanted: bool
    need: str
    is_used: bool


@dataclass(frozen=True, slots=True)
class AnswerSaid:
    """One answer; `is_open`: it needs a person and nobody has seen to it."""

    public_id: UUID
    contacted_on: date
    wish: str
    channel: str
    handover: str
    answered_by: str
    relation: str
    is_open: bool
    void_reason: str
    parts: tuple[PartSaid, ...]
    counts: bool
    """It is not older than answers count."""


@dataclass(frozen=True, slots=True)
class ContactMade:
    """One contact, its words on screen."""

    public_id: UUID
    on: date
    channel: str
    outcome: str
    note: str
    again_on: date | None
    void_reason: str


def columns() -> dict[str, ArraySubquery]:
    """Expressions `answers_said` and `contacts_made` for a query on patients; `read` makes sense of them."""
    items = RefillAnswerItem.objects.filter(answer=OuterRef("pk")).annotate(used=used()).order_by("pk")
    parts = ArraySubquery(
        items.values(found=JSONObject(kind="kind", wanted="wanted", need="need", used="used"))
    )
    said = RefillAnswer.objects.filter(patient=OuterRef("pk")).order_by("-answered_at", "-pk")
    fields = (
        "public_id", "contacted_on", "wish", "channel", "handover", "answered_by", "relation", "needs_person",
        "handled_at", "void_reason",
    )  # fmt: skip
    made = Contact.objects.filter(patient=OuterRef("pk")).order_by("-on", "-pk")
    of_contact = ("public_id", "on", "channel", "outcome", "note", "again_on", "void_reason")
    return {
        "answers_said": ArraySubquery(
            said.annotate(parts=parts).values(
                found=JSONObject(**{name: name for name in (*fields, "parts")})
            )[:SHOWN]
        ),
        "contacts_made": ArraySubquery(
            made.values(found=JSONObject(**{name: name for name in of_contact}))[:SHOWN]
        ),
    }


def read(row: Mapping[str, Any], *, today: date) -> tuple[tuple[AnswerSaid, ...], tuple[ContactMade, ...]]:
    """Answers and contacts of a row of such a query, newest first."""
    return (
        tuple(_answer(found, today) for found in _found(row["answers_said"])),
        tuple(_contact(found) for found in _found(row["contacts_made"])),
    )


def answers(patient: Patient) -> list[RefillAnswer]:
    """All answers of a patient with their items, newest first, voided ones too. Two queries."""
    rows = RefillAnswer.objects.filter(patient=patient).order_by("-answered_at", "-pk")
    people = ("recorded_by", "handled_by", "voided_by")
    return list(rows.select_related(*people).prefetch_related("items"))


def contacts(patient: Patient) -> list[Contact]:
    """All contacts with a patient, newest first, voided ones too. One query."""
    rows = Contact.objects.filter(patient=patient).order_by("-on", "-pk")
    return list(rows.select_related("recorded_by", "voided_by"))


def may_call(patient: Patient) -> bool | None:
    """The newest answer about calls; None: never asked. One query."""
    calls = Consent.objects.filter(patient=patient, channel=Channel.PHONE, purpose="", voided_at=None)
    return calls.order_by("-pk").values_list("granted", flat=True).first()


def _found(rows: Iterable[Mapping[str, Any]] | None) -> Iterable[Mapping[str, Any]]:
    return rows or ()


def _answer(found: Mapping[str, Any], today: date) -> AnswerSaid:
    contacted_on = date.fromisoformat(found["contacted_on"])
    return AnswerSaid(
        public_id=UUID(found["public_id"]),
        contacted_on=contacted_on,
        wish=found["wish"],
        channel=AnswerChannel(found["channel"]).label,
        handover=found["handover"],
        answered_by=found["answered_by"],
        relation=found["relation"],
        is_open=found["needs_person"] and not found["handled_at"] and not found["void_reason"],
        void_reason=found["void_reason"],
        parts=tuple(
            PartSaid(part["kind"], part["wanted"], part["need"], part["used"])
            for part in found["parts"] or ()
        ),
        counts=contacted_on > today - ANSWER_STANDS,
    )


def _contact(found: Mapping[str, Any]) -> ContactMade:
    return ContactMade(
        public_id=UUID(found["public_id"]),
        on=date.fromisoformat(found["on"]),
        channel=Channel(found["channel"]).label,
        outcome=Outcome(found["outcome"]).label,
        note=found["note"],
        again_on=date.fromisoformat(found["again_on"]) if found["again_on"] else None,
        void_reason=found["void_reason"],
    )
