"""Supply at the end of each month, kept because the plans of that day are gone later.

The sweep counts the plans in the first days of the next month (`keep_month`). Months before the clinic
began, or a sweep that did not run, are worked out by the rules in the background (`past_months`), as the
overdue list of a past day is.
"""

from collections import Counter
from collections.abc import Mapping
from datetime import date, datetime, timedelta
from typing import TypedDict, cast

from resupply.models import Location, Patient, PatientStatus, SupplyMonth
from resupply.queries import facts as fact_queries
from resupply.queries.measures import Cell, months_until, supply_on
from resupply.queries.overdue_past import end_of, statuses_by
from resupply.rules.lines import State, plan_lines, read
from resupply.services.jobs import JobFile, Progress, register
from resupply.services.jobs.kinds import Params

PAST_MONTHS = "past_months"
BATCH = 1_000
FIRST_DAYS = 3
"""So long after the end of a month the stored plans still tell of it."""
Sums = dict[str, dict[str, "Sum"]]
"""By location and month, with keys and values as JSON has them."""


class Sum(TypedDict):
    """Lines of one location at the end of one month."""

    lines: int
    in_supply: int
    late: dict[str, int]


def keep_month(*, today: date, now: datetime) -> bool:
    """Count the month that ended, once, in the first days of the next; False where there is nothing to do."""
    if today.day > FIRST_DAYS:
        return False
    last = today.replace(day=1) - timedelta(days=1)
    month = last.replace(day=1)
    kept = set(SupplyMonth.objects.filter(month=month).values_list("location", flat=True))
    missing = [pk for pk in Location.objects.values_list("pk", flat=True) if pk not in kept]
    if not missing:
        return False
    counted = supply_on(last, missing)
    SupplyMonth.objects.bulk_create(
        (_row(place, month, counted.get(place, Cell()), now) for place in missing), ignore_conflicts=True
    )
    return True


def missing_months(*, today: date) -> list[date]:
    """Months before the present one that are not on record for every location."""
    months, places = months_until(today)[:-1], Location.objects.count()
    kept = Counter(SupplyMonth.objects.filter(month__in=months).values_list("month", flat=True))
    return [month for month in months if kept[month] < places]


@register(PAST_MONTHS)
def past_months(params: Params, progress: Progress, *, now: datetime) -> JobFile | None:
    """Work out the months in `months` (first days) by the rules from the facts that stand now."""
    months = [date.fromisoformat(month) for month in cast("list[str]", params["months"])]
    after, done = _number(progress, "after"), _number(progress, "done")
    sums = cast("Sums", progress.left_at.get("sums", {}))
    people = Patient.objects.exclude(status=PatientStatus.WITHDRAWN).order_by("pk")
    of = people.count()
    while batch := {patient.pk: patient for patient in people.filter(pk__gt=after)[:BATCH]}:
        _add(sums, batch, months)
        after, done = max(batch), done + len(batch)
        progress(min(done, of), of)
        progress.keep({"after": after, "done": done, "sums": sums})
    rows = [
        _row(place, month, _cell(sums.get(str(place), {}).get(month.isoformat())), now)
        for place in Location.objects.values_list("pk", flat=True)
        for month in months
    ]
    SupplyMonth.objects.bulk_create(
        rows,
        update_conflicts=True,
        unique_fields=["location", "month"],
        update_fields=["lines", "in_supply", "days_overdue", "counted_at"],
    )
    progress.say(f"{len(months)} months worked out from {done:,} patients.")
    return None


def _add(sums: Sums, people: Mapping[int, Patient], months: list[date]) -> None:
    """Add what these patients' lines were at the ends of months."""
    policy, known = fact_queries.policy(), fact_queries.patient_facts(people.keys())
    for month in months:
        last = (month + timedelta(days=31)).replace(day=1) - timedelta(days=1)
        statuses = statuses_by({pk: end_of(last, patient.time_zone) for pk, patient in people.items()})
        for pk, patient in people.items():
            if statuses.get(pk, patient.status) != PatientStatus.ON_THERAPY:
                continue
            place = sums.setdefault(str(patient.location_id), {})
            total = place.setdefault(month.isoformat(), Sum(lines=0, in_supply=0, late={}))
            for line in plan_lines(known[pk], policy, as_of=last):
                status = read(line, as_of=last)
                if status.state is State.PAUSED:
                    continue
                total["lines"] += 1
                if status.state is State.OVERDUE:
                    days = str(status.days_overdue)
                    total["late"][days] = total["late"].get(days, 0) + 1
                else:
                    total["in_supply"] += 1


def _cell(found: Sum | None) -> Cell:
    if found is None:
        return Cell()
    late = Counter({int(days): number for days, number in found["late"].items()})
    return Cell(lines=found["lines"], in_supply=found["in_supply"], days_overdue=late)


def _row(place: int, month: date, cell: Cell, now: datetime) -> SupplyMonth:
    return SupplyMonth(
        location_id=place,
        month=month,
        lines=cell.lines,
        in_supply=cell.in_supply,
        days_overdue={str(days): number for days, number in sorted(cell.days_overdue.items())},
        counted_at=now,
    )


def _number(progress: Progress, name: str) -> int:
    return int(str(progress.left_at.get(name, 0)))
