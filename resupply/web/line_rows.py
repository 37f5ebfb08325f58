"""A patient's lines as staff see them: dates of the stored plan, and what they say today."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from uuid import UUID

from django.urls import reverse

from resupply.models import DispenseLine, Patient, PlanLine
from resupply.queries import dispenses
from resupply.queries.plans import to_plan
from resupply.queries.strips import StripData, strip_data
from resupply.rules.kinds import Kind
from resupply.rules.lines import LinePlan, LineStatus, read
from resupply.web.strip import StripChart, StripLine, default_window, layout
from resupply.web.strip_units import strip_line, strip_units
from resupply.web.wording import kind_word, limit_words, part_word


@dataclass(frozen=True, slots=True)
class Cell:
    """A date or quantity of a line: its column, its words or date, and where the steps behind it stand."""

    label: str
    text: str
    day: date | None
    url: str
    is_number: bool = False


@dataclass(frozen=True, slots=True)
class LineRow:
    """One line: its plan, its status on the day of the page, and its names."""

    patient_id: UUID
    plan: LinePlan
    status: LineStatus
    label: str
    part: str
    as_of: date
    exception: str = ""
    """Reason of the last dispense of the line, where it was an exception."""

    @property
    def kind(self) -> str:
        """The kind as forms send it."""
        return self.plan.kind.value

    @property
    def why_url(self) -> str:
        """Where the steps behind the whole line stand."""
        return reverse("desk:why", args=[self.patient_id, self.kind])

    @property
    def why_limit_url(self) -> str:
        """Where the steps behind today's suggestion, and so its limit, stand."""
        return reverse("desk:why_value", args=[self.patient_id, self.kind, "quantity_suggested"])

    @property
    def part_note(self) -> str:
        """The part's name, where it says more than the kind."""
        return "" if self.part.casefold() == self.label.casefold() else self.part

    @property
    def opens_on(self) -> date | None:
        """The day parts may be dispensed from, where it lies ahead."""
        return self.plan.deliver_from if self.as_of < self.plan.deliver_from else None

    @property
    def cells(self) -> list[Cell]:
        """The columns of the table of today."""
        plan, status = self.plan, self.status
        limit, suggested = limit_words(status.quantity_limit), str(status.quantity_suggested)
        if self.opens_on:
            limit = suggested = "none yet"
        return [
            self._cell("In use since", "in_use_since", plan.in_use_since),
            self._cell("Worn on", "worn_on", plan.worn_on),
            self._cell("Spares", "spares", None, str(plan.spares), True),
            self._cell("Supply ends", "supply_ends_on", plan.supply_ends_on),
            self._cell(
                "May be dispensed", "deliver_from", self.opens_on, "from " if self.opens_on else "now"
            ),
            self._cell("At most today", "quantity_limit", None, limit, True),
            self._cell("Suggested", "quantity_suggested", None, suggested, True),
        ]

    def _cell(
        self, label: str, value: str, day: date | None, text: str = "", is_number: bool = False
    ) -> Cell:
        url = reverse("desk:why_value", args=[self.patient_id, self.kind, value])
        return Cell(label, text if day or text else "none", day, url, is_number)


_ORDER = [kind.value for kind in Kind]


def rows_of(person: Patient, *, today: date) -> list[LineRow]:
    """The patient's lines as of a day. Two queries."""
    lines = list(person.plan_lines.all())
    return line_rows(lines, dispenses.latest_lines(person), person.public_id, today=today)


def line_rows(
    lines: Sequence[PlanLine], latest: Mapping[str, DispenseLine], patient_id: UUID, *, today: date
) -> list[LineRow]:
    """The rows of a patient's plan: the mask and what belongs to it first."""
    rows = []
    for line in sorted(lines, key=lambda line: _ORDER.index(line.kind)):
        plan = to_plan(line)
        last = latest.get(line.kind)
        rows.append(
            LineRow(
                patient_id,
                plan,
                read(plan, as_of=today),
                kind_word(line.kind),
                part_name(line.part_code, last),
                today,
                last.exception_reason if last else "",
            )
        )
    return rows


def part_name(code: str, latest: DispenseLine | None = None) -> str:
    """The name of the item given last, where it has this code; else the part type's."""
    if latest is not None and latest.item is not None and latest.part_code == code:
        return str(latest.item)
    return part_word(code) or code


def chart_of(person: Patient, rows: Sequence[LineRow], *, today: date) -> StripChart | None:
    """The supply strip of a patient; nothing where there are no lines."""
    return strip_of(rows, strip_data(person, today=today), today=today) if rows else None


def strip_of(rows: Sequence[LineRow], data: StripData, *, today: date) -> StripChart:
    """The supply strip of a patient's lines."""
    start, end = default_window(today)
    return layout([_strip_line(row, data, today) for row in rows], today=today, start=start, end=end)


def _strip_line(row: LineRow, data: StripData, today: date) -> StripLine:
    worn = data.lines.get(row.plan.kind)
    units = strip_units(worn, today=today) if worn else ()
    return strip_line(row.label, row.part_note, row.plan, row.status, units, data.pauses, row.why_url)
