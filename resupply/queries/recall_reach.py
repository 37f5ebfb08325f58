"""Whom a recall concerns: who holds the part, who had it, and how far reaching each of them has come.

The state of a patient is worked out in SQL by the order of `rules/recall_notices.py`, so that a page and the
numbers above it read the same; a test compares both.
"""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum
from typing import TYPE_CHECKING, TypedDict

from django.db.models import (
    Case,
    CharField,
    Count,
    DateTimeField,
    Exists,
    Max,
    OuterRef,
    Q,
    QuerySet,
    Subquery,
    Value,
    When,
)

from resupply.models import (
    Channel,
    DispenseLine,
    Message,
    MessageState,
    Patient,
    PatientStatus,
    Recall,
    RecallContact,
    RecallNotice,
)
from resupply.queries import recalls
from resupply.queries.consents import is_bad, newest_consent
from resupply.queries.facts import line_ref
from resupply.queries.failures import did_not_arrive, went_out
from resupply.rules.recall_notices import CALL_AFTER, SETTLED, Reach

if TYPE_CHECKING:
    from django_stubs_ext import WithAnnotations

    class Reached(TypedDict):
        """What `people` adds to each patient."""

        written_at: datetime | None
        is_queued: bool
        last_given: date
        mail_consent: bool | None
        text_consent: bool | None
        bad_address: bool
        bad_phone: bool
        reach: str

    class WrittenTo(Reached):
        """What `to_write_to` adds to that."""

        by_mail: bool

    Person = WithAnnotations[Patient, Reached]
    People = QuerySet[Person]
    ToWriteTo = QuerySet[WithAnnotations[Patient, WrittenTo]]

PAGE = 50
_NOBODY = Q(pk__in=[])
_REACHED_BY = {
    Channel.MAIL: Q(mail_consent=True, bad_address=False) & ~Q(email=""),
    Channel.TEXT: Q(text_consent=True, bad_phone=False) & ~Q(phone=""),
}
_UNDER_WAY = [MessageState.WAITING, MessageState.SENDING]
_SETTLING = (Reach.REPLACED, Reach.RETURNED, Reach.REACHED, Reach.WRITTEN_OFF)


class Show(StrEnum):
    """Which of the people a page lists."""

    ALL = "all"
    UNREACHED = "unreached"
    CALL = "call"
    SETTLED = "settled"


@dataclass(frozen=True, slots=True)
class Row:
    """One patient: the lines named, how many units are in use or spare, the state, the last contact."""

    patient: Patient
    lines: list[DispenseLine]
    holds: int
    state: Reach
    written_at: datetime | None
    is_queued: bool
    last: RecallContact | None
    is_writable: bool
    """Whether a message can and may go to the patient, on any channel."""


@dataclass(frozen=True, slots=True)
class Progress:
    """How many people there are in each state."""

    by_state: dict[Reach, int]

    @property
    def people(self) -> int:
        """All of them."""
        return sum(self.by_state.values())

    @property
    def settled(self) -> int:
        """Those whom nobody has to reach any more."""
        return sum(number for state, number in self.by_state.items() if state in SETTLED)


def standing_notice(recall: Recall) -> RecallNotice | None:
    """The notice of a recall that has not been voided, open or closed."""
    rows = RecallNotice.objects.filter(recall=recall, voided_at=None)
    return rows.select_related("recorded_by", "closed_by").first()


def people(recall: Recall) -> "People":
    """Everyone who was given what a recall names, with `reach`, `written_at`, `is_queued`, `last_given`,
    and of mail and texts the yes to every purpose and whether the address fails. Patients of an undone import
    are not known; those who died are, to be written off.
    """
    named = recalls.touched(recall).order_by()
    about = Message.objects.filter(patient=OuterRef("pk"), recall=recall)
    sent = about.filter(went_out()).order_by("-finished_at").values("finished_at")[:1]
    contacts = RecallContact.objects.filter(patient=OuterRef("pk"), recall=recall, voided_at=None)
    given = named.filter(dispense__patient=OuterRef("pk")).values("dispense__patient")
    known = Patient.objects.filter(pk__in=named.values("dispense__patient"))
    return (
        known.exclude(status=PatientStatus.WITHDRAWN)
        .annotate(
            written_at=Subquery(sent, output_field=DateTimeField()),
            is_queued=Exists(about.filter(state__in=_UNDER_WAY)),
            last_given=Subquery(given.annotate(last=Max("dispense__dispensed_on")).values("last")),
            mail_consent=newest_consent(Channel.MAIL, "", "pk"),
            bad_address=is_bad(Channel.MAIL, "email", "pk"),
            text_consent=newest_consent(Channel.TEXT, "", "pk"),
            bad_phone=is_bad(Channel.TEXT, "phone", "pk"),
        )
        .annotate(reach=_state(contacts))
    )


def shown(rows: "People", show: Show, *, now: datetime) -> "People":
    """Of these people the ones a page asks for."""
    if show is Show.SETTLED:
        return rows.filter(reach__in=SETTLED)
    if show is Show.ALL:
        return rows
    rows = rows.exclude(reach__in=SETTLED)
    if show is Show.UNREACHED:
        return rows
    answered_by = now - timedelta(days=CALL_AFTER)
    return rows.filter(Q(written_at=None) | Q(written_at__lte=answered_by), is_queued=False)


def progress(rows: "People") -> Progress:
    """How many people there are in each state. One query."""
    counted = dict(rows.order_by().values_list("reach").annotate(number=Count("pk")))
    return Progress({state: counted.get(state, 0) for state in Reach})


def to_write_to(recall: Recall, *, channels: "Collection[str]" = (Channel.MAIL,)) -> "ToWriteTo":
    """Who may be sent a message and was sent none: not settled, alive, and on one of these channels an
    address that holds, a yes to every purpose, and no message that did not arrive. `by_mail`: whether mail
    reaches them.
    """
    lost = Message.objects.filter(did_not_arrive(), patient=OuterRef("pk"), recall=recall)
    mail, text = (
        _REACHED_BY[way] & ~Q(Exists(lost.filter(channel=way))) if way in channels else _NOBODY
        for way in _REACHED_BY
    )
    rows = (
        people(recall)
        .annotate(by_mail=Case(When(mail, then=True), default=False))
        .filter(
            mail | text,
            reach__in=[Reach.OPEN, Reach.TRIED],
            written_at=None,
            is_queued=False,
        )
    )
    return rows.exclude(status=PatientStatus.DIED)


def page_of(
    recall: Recall, rows: "People", *, today: date, page: int, size: int = PAGE
) -> tuple[list[Row], bool]:
    """One page (from 1), who was given it last first; whether more follow. A fixed number of queries."""
    start = (page - 1) * size
    ordered = rows.select_related("location").order_by("-last_given", "family_name", "given_name", "pk")
    found = list(ordered[start : start + size + 1])
    return rows_of(recall, found[:size], today=today), len(found) > size


def rows_of(recall: Recall, patients: "Collection[Person]", *, today: date) -> list[Row]:
    """Rows of patients that `people` gave, in their order."""
    ids = {patient.pk for patient in patients}
    lines: dict[int, list[DispenseLine]] = {pk: [] for pk in ids}
    named = recalls.touched(recall).filter(dispense__patient__in=ids).select_related("dispense", "item")
    for line in named.order_by("-dispense__dispensed_on", "-pk"):
        lines[line.dispense.patient_id].append(line)
    contacts = RecallContact.objects.filter(recall=recall, patient__in=ids, voided_at=None)
    newest = (
        contacts.order_by("patient_id", "-on", "-pk").distinct("patient_id").select_related("recorded_by")
    )
    last = {contact.patient_id: contact for contact in newest}
    holds = recalls.units_held(ids, today=today)
    return [
        Row(
            patient,
            lines[patient.pk],
            sum(holds[line_ref(line.pk)] for line in lines[patient.pk]),
            Reach(patient.reach),
            patient.written_at,
            patient.is_queued,
            last.get(patient.pk),
            bool(
                (patient.email and patient.mail_consent and not patient.bad_address)
                or (patient.phone and patient.text_consent and not patient.bad_phone)
            ),
        )
        for patient in patients
    ]


def contacts_of(recall: Recall, patient: Patient) -> list[RecallContact]:
    """The contacts with a patient about a recall, newest first, voided ones too."""
    rows = RecallContact.objects.filter(recall=recall, patient=patient)
    return list(rows.select_related("recorded_by", "voided_by").order_by("-on", "-pk"))


def messages_of(recall: Recall, patient: Patient) -> list[Message]:
    """The messages about a recall to a patient, newest first."""
    rows = Message.objects.filter(recall=recall, patient=patient)
    return list(rows.order_by("-created_at", "-pk"))


def _state(contacts: "QuerySet[RecallContact]") -> Case:
    """The first state that holds, as `rules.recall_notices.state_of` says."""
    settled = [When(Exists(contacts.filter(outcome=state)), then=Value(state.value)) for state in _SETTLING]
    return Case(
        *settled,
        When(Exists(contacts), then=Value(Reach.TRIED.value)),
        When(written_at__isnull=False, then=Value(Reach.WRITTEN.value)),
        When(is_queued=True, then=Value(Reach.QUEUED.value)),
        default=Value(Reach.OPEN.value),
        output_field=CharField(),
    )
