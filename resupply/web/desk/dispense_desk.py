"""What the dispense page knows before anything is typed, and what it says of each row as typed."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from itertools import groupby
from typing import Any, Self
from uuid import UUID

from resupply import clock
from resupply.models import (
    LARGEST_QUANTITY,
    BackOrder,
    CatalogueItem,
    Fitting,
    Given,
    Location,
    Patient,
    RefillAnswerItem,
    SuppliedBy,
)
from resupply.queries import dispenses as dispense_queries
from resupply.queries import patients as patient_queries
from resupply.queries import stock as stock_queries
from resupply.queries.stock import Lot
from resupply.rules.kinds import PLACE, Kind
from resupply.rules.magnets import may_hold_magnets, verdict
from resupply.rules.stops import Stops
from resupply.rules.tables import PartType, part_types
from resupply.services.dispensing import Known, NewLine
from resupply.services.dispensing.words import words
from resupply.web import access
from resupply.web.access import StaffRequest
from resupply.web.desk.dispense_forms import Raw, blank_row, offered
from resupply.web.desk.usual import answered_rows, back_ordered_rows, fitted_rows, usual_items, usual_rows
from resupply.web.line_rows import LineRow, line_rows
from resupply.web.wording import kind_word


@dataclass(frozen=True, slots=True)
class Said:
    """What is said of a row: what stops it for good, what a reason would lift, how short the shelf is."""

    grave: tuple[str, ...] = ()
    outside: tuple[str, ...] = ()
    short: str = ""


@dataclass(frozen=True, slots=True)
class Desk:
    """Everything the page reads, once."""

    person: Patient
    here: Location
    today: date
    now: datetime
    lines: list[LineRow]
    items: list[CatalogueItem]
    usual: Mapping[str, CatalogueItem]
    lots: Mapping[int, Sequence[Lot]]
    known: Known
    payer: str
    """Who pays today; empty: the patient."""

    @classmethod
    def read(cls, request: StaffRequest, person: Patient) -> Self:
        """For the location that the form names, else the patient's own where one works there."""
        now = clock.now()
        here = _here(request, person)
        today = clock.today(here.time_zone)
        latest = dispense_queries.latest_lines(person)
        lines = line_rows(list(person.plan_lines.all()), latest, person.public_id, today=today)
        items = dispense_queries.offered_items(line.item_id for line in latest.values() if line.item_id)
        known = Known.about(person, now=now)
        usual = usual_items(lines, latest, items, known.family_on(today))
        ids = [item.pk for item in items] if here.tracks_stock else []
        payer = patient_queries.coverage_on(patient_queries.coverages(person), today)
        return cls(
            person=person,
            here=here,
            today=today,
            now=now,
            lines=lines,
            items=items,
            usual=usual,
            lots=stock_queries.lots(here.pk, ids, today=today) if ids else {},
            known=known,
            payer=payer.payer.name if payer and payer.payer else "",
        )

    @property
    def family(self) -> str:
        """The family of the mask the patient wears; empty: not stated."""
        return self.known.family_on(self.today)

    @property
    def by_id(self) -> dict[int, CatalogueItem]:
        """The items by their key."""
        return {item.pk: item for item in self.items}

    def part_choices(self, sent: Collection[str]) -> list[tuple[str, Any]]:
        """The clinic's items by kind, then the bare codes for what is not in the catalogue.

        An item stopped for its magnets is no choice, unless it was `sent`: then the stop says why not.
        """
        groups: list[tuple[str, Any]] = [("", "Choose a part")]
        items = [item for item in self.items if f"item:{item.pk}" in sent or not self._is_stopped(item)]
        items.sort(key=lambda item: PLACE[item.kind])
        for kind, same in groupby(items, key=lambda item: item.kind):
            groups.append((kind_word(kind), [(f"item:{item.pk}", self._label(item)) for item in same]))
        codes = [(f"code:{part.code}", self._label(part)) for part in part_types().values()]
        groups.append(("Not in the catalogue", sorted(codes, key=lambda choice: choice[1])))
        return groups

    def answered(self, answer_id: UUID) -> dict[str, RefillAnswerItem]:
        """The open yeses of one answer, by kind."""
        return {kind: item for kind, item in self.known.yeses.items() if item.answer.public_id == answer_id}

    def first_rows(self, answered: Mapping[str, RefillAnswerItem] | None) -> list[Raw]:
        """The rows the form opens with: the same again, or what one answer said yes to."""
        if answered is None:
            return self._without_stopped(usual_rows(self.lines, self.usual, self.lots))
        return self._without_stopped(answered_rows(self.lines, self.usual, self.lots, answered))

    def fitted(self, fitting: Fitting) -> list[Raw]:
        """The rows the form opens with after a fitting."""
        return self._without_stopped(fitted_rows(fitting, self.lines, self.usual, self.lots))

    def back_ordered(self, order: BackOrder) -> list[Raw]:
        """The rows the form opens with for parts that were waited for."""
        return self._without_stopped(back_ordered_rows(order, self.lines, self.usual, self.lots))

    @property
    def magnets_stopped(self) -> str:
        """Why no part with magnets is offered (`rules.magnets.Reason`); empty: they may be given."""
        reason = verdict(self.known.screen, as_of=self.today).reason
        return reason.value if reason else ""

    def _is_stopped(self, what: CatalogueItem | PartType) -> bool:
        """Whether an item or a bare code holds magnets, or may, while none may be given."""
        magnetic = what.magnetic if isinstance(what, CatalogueItem) else None
        return bool(self.magnets_stopped) and may_hold_magnets(Kind(what.kind), magnetic)

    def _label(self, what: CatalogueItem | PartType) -> str:
        """A choice in words. A bare code that is stopped stays one: another supplier may have given it."""
        words = str(what) if isinstance(what, CatalogueItem) else f"{what.name} ({what.code})"
        return f"{words} (magnets: stopped)" if self._is_stopped(what) else words

    def _without_stopped(self, rows: Sequence[Raw]) -> list[Raw]:
        """Rows to open with. A part that may not be given is not named in a row without a quantity either;
        what is said of the others, and that they are left out, follows from their stops.
        """
        parts: dict[str, CatalogueItem | PartType] = {f"item:{item.pk}": item for item in self.items}
        parts |= {f"code:{code}": part for code, part in part_types().items()}
        return [
            offered(blank_row(kind=row["kind"]))
            if not row["quantity"] and self._is_stopped(parts[row["part"]])
            else row
            for row in rows
        ]

    def line_of(self, row: Mapping[str, str]) -> NewLine | None:
        """A row as typed, as far as it can be read; None: no part yet, or no quantity that could be given."""
        sort, _, key = row["part"].partition(":")
        quantity = int(row["quantity"]) if row["quantity"].isdecimal() and len(row["quantity"]) < 5 else 0
        item = self.by_id.get(int(key)) if sort == "item" and key.isdecimal() and len(key) < 18 else None
        if not 1 <= quantity <= LARGEST_QUANTITY or (item is None and key not in part_types()):
            return None
        return NewLine(
            quantity=quantity,
            item=item,
            part_code=key if item is None else "",
            lot=row["lot"],
            expires_on=_day(row["expires_on"]),
            exception_reason=row["exception_reason"],
        )

    def said_of(self, rows: Sequence[Raw], head: Mapping[str, Any]) -> list[Said]:
        """What is said of each row for the day and way of giving in the head of the form, as typed."""
        on = _day(str(head.get("dispensed_on") or "")) or self.today
        if head.get("supplied_by") == SuppliedBy.ELSEWHERE or not self.person.birth_date <= on <= self.today:
            return [Said() for _ in rows]
        read = {place: line for place, row in enumerate(rows) if (line := self.line_of(row)) is not None}
        stops = self.known.against(
            list(read.values()),
            on=on,
            shipped=head.get("given") == Given.SHIPPED,
            zone=self.here.time_zone,
        )
        short = self._short(list(read.values()))
        found = dict(zip(read, zip(read.values(), stops, short, strict=True), strict=True))
        return [self._said(*found[place], on) if place in found else Said() for place in range(len(rows))]

    def _said(self, line: NewLine, stops: Stops, short: str, on: date) -> Said:
        told = [(stop.liftable, words(stop, line, self.known, on=on)) for stop in stops]
        grave, outside = ([text for is_light, text in told if is_light is light] for light in (False, True))
        return Said(tuple(grave), tuple(outside), short)

    def _short(self, lines: Sequence[NewLine]) -> list[str]:
        """How many of each row are on record, where that is fewer than it takes; rows take in their order."""
        left = {(pk, n): lot.on_hand for pk, lots in self.lots.items() for n, lot in enumerate(lots)}
        told = []
        for line in lines:
            found = 0
            for n, lot in enumerate(self.lots.get(line.item.pk, ()) if line.item else ()):
                if line.item and _is_of(lot, line):
                    taken = min(left[line.item.pk, n], line.quantity - found)
                    left[line.item.pk, n] -= taken
                    found += taken
            is_short = self.here.tracks_stock and line.item is not None and found < line.quantity
            told.append(f"On record at {self.here.name}: {found or 'none'} of these." if is_short else "")
        return told

    def next_on(self, rows: Sequence[Raw]) -> dict[str, date]:
        """From which day each kind may be dispensed again, once these rows are."""
        lines = [line for row in rows if (line := self.line_of(row)) is not None]
        return {kind.value: day for kind, day in self.known.next_from(lines, on=self.today).items()}


def _here(request: StaffRequest, person: Patient) -> Location:
    """The location the form names, the patient's own, or the first one works at."""
    places = list(access.open_locations(request)) or list(access.locations(request))
    named = request.POST.get("location", "")
    mine = next((place for place in places if str(place.pk) == named), None)
    return mine or next((place for place in places if place.pk == person.location_id), places[0])


def _is_of(lot: Lot, line: NewLine) -> bool:
    """Whether a row may be taken from a lot: what it names of lot and expiry is the lot's."""
    named = line.lot.strip().casefold()
    return (not named or lot.lot.casefold() == named) and line.expires_on in {None, lot.expires_on}


def _day(text: str) -> date | None:
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None
