"""Measures by month and location, each a set of counts in SQL; what each number means stands here, and beside
it on the page.

Months are those of the patient's location; a patient counts at the present location. Voided records do not
count. Counts of days come as histograms ({days: how many}), so that a median over several locations is the
median of all their cases.
"""

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from typing import Any

from django.db.models import Aggregate, Count, DateField, Exists, F, Func, OuterRef, Q, QuerySet, Sum
from django.db.models.functions import TruncMonth

from resupply.models import (
    Channel,
    CleaningTick,
    DispenseLine,
    Location,
    Message,
    MessageState,
    PatientLink,
    PlanLine,
    RefillAnswerItem,
    RefillQuestion,
    SupplyEnd,
    SupplyMonth,
    Wish,
)
from resupply.queries.answers import used
from resupply.queries.paused import paused_on

Key = tuple[date, int]
"""First day of a month, location."""
MONTHS = 13
"""Months shown: the present one and a year before it."""


@dataclass(slots=True)
class Cell:
    """What is counted of one location in one month.

    Of *lines* (of patients on therapy, not in a pause) at the end of the month, or today: `in_supply`, and
    how many were overdue by how many days. Of refill questions *asked* in the month (of those of which a
    message went out): *answered*, answered with *yes*, and with a part of the answer *dispensed*. `waits`:
    dispensed parts of the month that were given from a yes, by days since that yes. Messages that left the
    queue: *sent* and *failed*. Patients with a link to their own page in the month (*may_tick*), those of
    them who *ticked*.
    """

    lines: int = 0
    in_supply: int = 0
    days_overdue: Counter[int] = field(default_factory=Counter)
    asked: int = 0
    answered: int = 0
    yes: int = 0
    dispensed: int = 0
    waits: Counter[int] = field(default_factory=Counter)
    sent: int = 0
    failed: int = 0
    may_tick: int = 0
    ticked: int = 0


def months_until(today: date, *, number: int = MONTHS) -> list[date]:
    """First days of so many months, the present one last."""
    first = today.replace(day=1)
    found = [first]
    while len(found) < number:
        found.append((found[-1] - timedelta(days=1)).replace(day=1))
    return found[::-1]


def measured(location_ids: Collection[int], *, today: date) -> dict[Key, Cell]:
    """Every measure of the last `MONTHS` months at some locations (empty: all), by month and location."""
    months = months_until(today)
    places = Location.objects.filter(pk__in=location_ids) if location_ids else Location.objects.all()
    ids = sorted(places.values_list("pk", flat=True))
    cells: dict[Key, Cell] = {(month, place): Cell() for month in months for place in ids}
    _supply(cells, ids, months, today)
    _questions(cells, ids, months[0])
    _waits(cells, ids, months[0])
    _messages(cells, ids, months[0])
    _cleaning(cells, ids, months)
    return cells


def together(cells: Iterable[Cell]) -> Cell:
    """The sum of some cells."""
    total = Cell()
    for cell in cells:
        for name in Cell.__slots__:
            setattr(total, name, getattr(total, name) + getattr(cell, name))
    return total


def quantile(days: Mapping[int, int], share: float) -> int | None:
    """The smallest number of days that at least this share of the cases does not exceed (nearest rank, as
    PostgreSQL's percentile_disc); None: no case.
    """
    cases, passed = sum(days.values()), 0
    for day in sorted(days):
        passed += days[day]
        if passed >= share * cases:
            return day
    return None


def supply_on(day: date, location_ids: Collection[int]) -> dict[int, Cell]:
    """Lines, lines in supply and days overdue by location, from the stored plans; right for today.

    Lines of patients on therapy that do not pause. From the counts kept beside the plans.
    """
    ends: dict[int, Counter[date]] = defaultdict(Counter)
    kept = SupplyEnd.objects.filter(location__in=sorted(location_ids))
    for place, on, lines in _grouped(kept, "location", "supply_ends_on", number=Sum("lines")):
        ends[place][on] += lines
    paused = PlanLine.objects.filter(paused_on(day), active=True, location__in=sorted(location_ids))
    for place, on, lines in _grouped(paused, "location", "supply_ends_on", number=Count("pk")):
        ends[place][on] -= lines
    return {place: _cell_of(counts, day) for place, counts in ends.items()}


def _cell_of(ends: Mapping[date, int], day: date) -> Cell:
    late = Counter({(day - on).days: lines for on, lines in ends.items() if on < day and lines})
    lines = sum(ends.values())
    return Cell(lines=lines, in_supply=lines - sum(late.values()), days_overdue=late)


def _supply(cells: dict[Key, Cell], ids: list[int], months: list[date], today: date) -> None:
    for row in SupplyMonth.objects.filter(location__in=ids, month__gte=months[0], month__lt=months[-1]):
        cell = cells[row.month, row.location_id]
        cell.lines, cell.in_supply = row.lines, row.in_supply
        cell.days_overdue = Counter({int(days): lines for days, lines in row.days_overdue.items()})
    for place, now in supply_on(today, ids).items():
        cell = cells[months[-1], place]
        cell.lines, cell.in_supply, cell.days_overdue = now.lines, now.in_supply, now.days_overdue


def _questions(cells: dict[Key, Cell], ids: list[int], since: date) -> None:
    wanted = RefillAnswerItem.objects.filter(answer=OuterRef("answer"), wanted=True)
    rows = RefillQuestion.objects.filter(
        Exists(Message.objects.filter(question=OuterRef("pk"), state=MessageState.SENT)),
        patient__location__in=ids,
        asked_at__gte=_before(since),
    ).annotate(
        month=_LocalMonth("patient__location__time_zone", "asked_at"),
        place=F("patient__location"),
        was_dispensed=Exists(wanted.filter(used())),
    )
    answered = Q(answer__isnull=False, answer__voided_at=None)
    counts = rows.order_by().values("month", "place").annotate(
        asked=Count("pk"),
        answered=Count("pk", filter=answered),
        yes=Count("pk", filter=answered & Q(answer__wish=Wish.YES)),
        dispensed=Count("pk", filter=answered & Q(answer__wish=Wish.YES, was_dispensed=True)),
    )  # fmt: skip
    for row in counts:
        cell = cells.get((row["month"], row["place"]))
        if cell is not None:
            cell.asked, cell.answered = row["asked"], row["answered"]
            cell.yes, cell.dispensed = row["yes"], row["dispensed"]


def _waits(cells: dict[Key, Cell], ids: list[int], since: date) -> None:
    rows = DispenseLine.objects.filter(
        answer_item__isnull=False,
        exchange_of=None,
        voided_at=None,
        dispense__voided_at=None,
        dispense__patient__location__in=ids,
        dispense__dispensed_on__gte=since,
    ).annotate(
        month=TruncMonth("dispense__dispensed_on"),
        days=F("dispense__dispensed_on") - F("answer_item__answer__contacted_on"),
    )
    by = ("month", "dispense__patient__location", "days")
    for month, place, waited, number in _grouped(rows, *by, number=Count("pk")):
        if (month, place) in cells:
            cells[month, place].waits[waited.days] += number


def _messages(cells: dict[Key, Cell], ids: list[int], since: date) -> None:
    rows = Message.objects.filter(
        channel__in=[Channel.MAIL, Channel.TEXT],
        state__in=[MessageState.SENT, MessageState.FAILED],
        patient__location__in=ids,
        finished_at__gte=_before(since),
    ).annotate(month=_LocalMonth("patient__location__time_zone", "finished_at"))
    for month, place, state, number in _grouped(
        rows, "month", "patient__location", "state", number=Count("pk")
    ):
        if (month, place) in cells:
            name = "sent" if state == MessageState.SENT else "failed"
            setattr(cells[month, place], name, number)


def _cleaning(cells: dict[Key, Cell], ids: list[int], months: list[date]) -> None:
    ticks = CleaningTick.objects.filter(
        voided_at=None, day__gte=months[0], patient__location__in=ids
    ).annotate(month=TruncMonth("day"))
    people = Count("patient", distinct=True)
    for month, place, number in _grouped(ticks, "month", "patient__location", number=people):
        if (month, place) in cells:
            cells[month, place].ticked = number
    links = PatientLink.objects.filter(patient__location__in=ids).order_by().values("patient__location")
    counts = {f"m{n}": Count("patient", distinct=True, filter=_live(month)) for n, month in enumerate(months)}
    for place, *live in links.annotate(**counts).values_list("patient__location", *counts):
        for month, number in zip(months, live, strict=True):
            cells[month, place].may_tick = number


def _live(month: date) -> Q:
    """Links that opened the own page on some day of a month (by UTC's calendar)."""
    after = (month + timedelta(days=31)).replace(day=1)
    revoked = Q(revoked_at=None) | Q(revoked_at__date__gte=month)
    return Q(created_at__date__lt=after, expires_at__date__gte=month) & revoked


class _LocalMonth(Func):
    """The first day of the month that a moment falls in, in a zone."""

    template = "date_trunc('month', timezone(%(expressions)s))::date"
    output_field = DateField()


def _grouped(rows: "QuerySet[Any]", *by: str, number: Aggregate) -> "Iterable[Any]":
    """Rows of what they are grouped by and an aggregate."""
    found: Iterable[Any] = rows.order_by().values_list(*by).annotate(number=number)
    return found


def _before(day: date) -> datetime:
    """A moment before a day begins anywhere."""
    return datetime(day.year, day.month, day.day, tzinfo=UTC) - timedelta(days=1)
