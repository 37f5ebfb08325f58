"""The work lists of Today: their words, their rows and orders, and the columns of their CSV."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Generic

from django.db.models import F, QuerySet
from django.db.models.expressions import OrderBy

from resupply.delivery.carriers import carriers
from resupply.delivery.tables_out import Cell
from resupply.models import (
    BackOrder,
    Patient,
    PatientReport,
    PlanLine,
    RefillAnswer,
    RefillAnswerItem,
)
from resupply.queries import worklists
from resupply.queries.worklists import Group, T

SHOWN = 6
"""Patients of a list on the first page."""
READ = 200
"""Rows read of each list for the first page: enough to count a day's work."""
Order = Sequence[str | OrderBy]


@dataclass(frozen=True, slots=True)
class TodayList(Generic[T]):
    """One work list: its words, its rows, and how they run."""

    slug: str
    title: str
    about: str
    empty: str
    how: str
    rows: "Callable[..., QuerySet[T]]"
    patient_of: Callable[[T], Patient]
    orders: dict[str, tuple[str, Order]]
    """Order in an address -> its words, its columns; the first is the usual one, with an empty key."""
    header: Sequence[str]
    cells: Callable[[T], list[Cell]]

    @property
    def template(self) -> str:
        """The partial that shows its groups."""
        return f"worklists/_{self.slug.replace('-', '_')}.html"

    def read(self, places: frozenset[int], *, today: date, order: str = "", at_most: int) -> "Section[T]":
        """The list's first rows by patient."""
        rows = self.rows(places, today=today).order_by(*self.orders[order][1])
        found = worklists.read(rows, self.patient_of, at_most=at_most)
        return Section(self, found.groups, found.is_cut)


@dataclass(frozen=True, slots=True)
class Section(Generic[T]):
    """A list as it is shown: the patients, and whether there are more than were read."""

    kind: TodayList[T]
    groups: list[Group[T]]
    is_cut: bool

    @property
    def count(self) -> str:
        """How many patients, or that there are more."""
        return f"{len(self.groups)}{'+' if self.is_cut else ''}"

    @property
    def first(self) -> list[Group[T]]:
        """The patients shown on the first page."""
        return self.groups[:SHOWN]

    @property
    def has_more(self) -> bool:
        """Whether the first page shows only some."""
        return self.is_cut or len(self.groups) > SHOWN


def _person(patient: Patient) -> list[Cell]:
    return [
        patient.reference, patient.given_name, patient.family_name, patient.birth_date, patient.phone,
        patient.location.name,
    ]  # fmt: skip


_PERSON = ("patient_ref", "given_name", "family_name", "birth_date", "phone", "location")


def _said_yes(item: RefillAnswerItem) -> list[Cell]:
    answer: Any = item.answer
    row: Any = item
    return [
        *_person(answer.patient), item.kind, item.part_code, item.quantity, item.need, answer.contacted_on,
        answer.channel, answer.answered_by, answer.relation, answer.handover, row.deliver_from,
        row.supply_ends_on,
    ]  # fmt: skip


def _to_handle(answer: RefillAnswer) -> list[Cell]:
    using = {True: "yes", False: "no", None: ""}[answer.still_using]
    return [
        *_person(answer.patient), answer.contacted_on, answer.channel, answer.answered_by, answer.relation,
        answer.wish, using, "yes" if answer.is_late else "no", answer.note,
    ]  # fmt: skip


def _reported(row: PatientReport) -> list[Cell]:
    return [*_person(row.patient), row.on, row.told, row.kind, row.note]


def _to_call(places: worklists.Places, *, today: date) -> QuerySet[PlanLine]:
    return worklists.calls(places, today=today, channels=tuple(carriers()))


def _call(line: PlanLine) -> list[Cell]:
    row: Any = line
    return [
        *_person(line.patient), line.kind, line.part_code, line.supply_ends_on, line.deliver_from,
        row.asked_on, row.contact_on, row.contact_outcome,
    ]  # fmt: skip


def _expected(order: BackOrder) -> list[Cell]:
    row: Any = order
    return [
        *_person(order.patient), order.kind, order.part_code, str(order.item) if order.item else "",
        order.quantity, order.ordered_on, order.expected_on, row.in_stock or 0, order.note,
    ]  # fmt: skip


def _by_name(path: str) -> tuple[str, Order]:
    return "By name", (f"{path}__family_name", f"{path}__given_name", path, "pk")


SAID_YES = TodayList(
    slug="said-yes",
    title="Said yes",
    about="Refills the patient has said yes to, to pack or to hand over",
    empty="No answered refill waits.",
    how="Patients appear here once they say yes to a refill, and leave when it is dispensed.",
    rows=worklists.said_yes,
    patient_of=lambda item: item.answer.patient,
    orders={
        "": ("May go out first", ("deliver_from", "supply_ends_on", "pk")),
        "answered": ("Answered first", ("answer__answered_at", "pk")),
        "name": _by_name("answer__patient"),
    },
    header=(
        *_PERSON, "kind", "part_code", "quantity", "need", "contacted_on", "channel", "answered_by",
        "relation", "handover", "deliver_from", "supply_ends_on",
    ),
    cells=_said_yes,
)  # fmt: skip
TO_HANDLE = TodayList(
    slug="needs-a-person",
    title="Needs a person",
    about="Answers that say more than yes or no: a note, leaks, not using it any more, stop asking, late",
    empty="No answer needs a person.",
    how="Patients appear here when their answer holds a note, says that a part leaks or broke, that they do "
    "not use the equipment any more or want no more questions, or when it came late.",
    rows=worklists.to_handle,
    patient_of=lambda answer: answer.patient,
    orders={
        "": ("Oldest first", ("answered_at", "pk")),
        "newest": ("Newest first", ("-answered_at", "-pk")),
        "name": _by_name("patient"),
    },
    header=(
        *_PERSON, "contacted_on", "channel", "answered_by", "relation", "wish", "still_using", "late", "note",
    ),
    cells=_to_handle,
)  # fmt: skip
REPORTED = TodayList(
    slug="patients-report",
    title="Needs a person: from patients’ own pages",
    about="Air leaks, sore spots, equipment not in use, parts changed without a spare on record",
    empty="No report waits for a person.",
    how="Patients appear here when they report air leaks, a sore spot, that they do not use the equipment, "
    "or a part change without a spare on record.",
    rows=worklists.reported,
    patient_of=lambda row: row.patient,
    orders={
        "": ("Oldest first", ("recorded_at", "pk")),
        "newest": ("Newest first", ("-recorded_at", "-pk")),
        "name": _by_name("patient"),
    },
    header=(*_PERSON, "on", "told", "kind", "note"),
    cells=_reported,
)
CALLS = TodayList(
    slug="calls",
    title="Calls to make",
    about="Refills to ask about by phone: no message can ask, the last did not arrive, or one went out a "
    "week ago unanswered",
    empty="No call to make.",
    how="Patients appear here when a refill may be asked about and no message can ask, the last one did not "
    "arrive, or one has gone unanswered for a week. Who does not want to be called never appears.",
    rows=_to_call,
    patient_of=lambda line: line.patient,
    orders={
        "": ("Ended first", ("supply_ends_on", "pk")),
        "latest": ("Supply ends last", ("-supply_ends_on", "-pk")),
        "name": _by_name("patient"),
    },
    header=(
        *_PERSON, "kind", "part_code", "supply_ends_on", "deliver_from", "asked_on", "contacted_on",
        "outcome",
    ),
    cells=_call,
)  # fmt: skip
EXPECTED = TodayList(
    slug="expected-back",
    title="Expected back",
    about="Parts promised to patients once they are in stock again",
    empty="Nobody waits for a part.",
    how="Patients appear here when a part they are to have is not in stock and goes on back order.",
    rows=worklists.expected,
    patient_of=lambda order: order.patient,
    orders={
        "": ("Expected first", (F("expected_on").asc(nulls_last=True), "pk")),
        "ordered": ("Waiting longest", ("ordered_on", "pk")),
        "name": _by_name("patient"),
    },
    header=(
        *_PERSON, "kind", "part_code", "item", "quantity", "ordered_on", "expected_on", "in_stock", "note",
    ),
    cells=_expected,
)  # fmt: skip

LISTS: dict[str, TodayList[Any]] = {
    kind.slug: kind for kind in (SAID_YES, TO_HANDLE, REPORTED, CALLS, EXPECTED)
}
"""In the order of the first page."""
