"""The overdue list: its first and a deep page, narrowed in several ways, and the counts by age of delay.

What the page costs is measured through the site's own test client (session, access, template and all), the
query alone against raw SQL of the same rows. Days are those of the invented clinic.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial

import time_machine
from django.db import connection
from django.db.models import Count
from django.test import Client
from django.urls import reverse

from benchmarks import databases, population
from benchmarks.measure import Result, Times, shown, timed
from clinic.accounts.models import User
from resupply.models import Location, Payer, PlanLine, Role, Staff
from resupply.models.encrypted import decrypt
from resupply.queries.missing_lines import lacking_page
from resupply.queries.overdue import OverdueFilter, Place, overdue_lines, overdue_page
from resupply.queries.overdue_ages import overdue_by_age
from resupply.queries.overdue_filters import Reach
from resupply.rules.kinds import Kind
from resupply.services import supply_ends

TODAY = population.TODAY
MOST_TOTALS = 25.0
"""Milliseconds the counts for all locations may take."""
_RAW = """
    SELECT line.id, line.kind, line.part_code, line.supply_ends_on, line.covered_from, line.allowance_units,
        patient.public_id, patient.given_name, patient.family_name, patient.birth_date, patient.reference,
        patient.email, patient.phone, line.ask_from, location.name, payer.name,
        (SELECT given.exception_reason FROM resupply_dispenseline given
            JOIN resupply_dispense dispense ON dispense.id = given.dispense_id
            WHERE dispense.patient_id = line.patient_id AND given.kind = line.kind AND given.voided_at IS NULL
            ORDER BY dispense.dispensed_on DESC, given.id DESC LIMIT 1)
    FROM resupply_planline line
    JOIN resupply_patient patient ON patient.id = line.patient_id
    JOIN resupply_location location ON location.id = line.location_id
    LEFT JOIN resupply_payer payer ON payer.id = line.payer_id
    WHERE line.active AND line.supply_ends_on < %(today)s
        AND NOT (line.paused_from IS NOT NULL AND line.paused_from <= %(today)s
            AND (line.paused_until IS NULL OR line.paused_until > %(today)s))
        AND NOT EXISTS (SELECT FROM resupply_lineact act
            WHERE act.patient_id = line.patient_id AND act.kind = line.kind AND act.act = 'snooze'
                AND act.voided_at IS NULL AND act.until > %(today)s
                AND abs(act.supply_ends_on - line.supply_ends_on) < 14) {where}
    ORDER BY line.supply_ends_on, line.id LIMIT 51
"""


@dataclass(frozen=True, slots=True)
class Case:
    """One way to narrow the list: the filter, the same in an address, and in raw SQL."""

    wanted: OverdueFilter
    query: dict[str, object]
    where: str
    values: dict[str, object]
    times_smallest: float = 1.5
    """How many times its time at the smallest size it may take."""


def run(sizes: tuple[int, ...]) -> Iterator[Result | str]:
    """Pages, queries and counts at the smallest and the largest size."""
    small, large = sizes[0], sizes[-1]
    taken: dict[tuple[str, int], Times] = {}
    for size in dict.fromkeys((small, large)):
        databases.use(size)
        yield f"overdue, {size:,} patients: {_lines():,} lines overdue of {PlanLine.objects.count():,}"
        with time_machine.travel(TODAY, tick=True):
            for what, times in _measured():
                taken[what, size] = times
                yield f"overdue, {size:,} patients, {what}: {times}"
            if size == large:
                yield from _against_raw()
    for name, case in _cases().items():
        for place in ("first", "deep"):
            what = f"page, {name}, {place}"
            now, before = taken[what, large], taken[what, small]
            yield Result(f"{what}, at {large:,}", now, before, f"at {small:,}", case.times_smallest)
        deep, first = taken[f"page, {name}, deep", large], taken[f"page, {name}, first", large]
        yield Result(f"page, {name}, deep at {large:,}", deep, first, "first", 1.5)
    totals = taken["totals, all locations", large]
    yield Result(f"totals, all locations, at {large:,}", totals.median, MOST_TOTALS, "limit in ms", 1)


def _measured() -> Iterator[tuple[str, Times]]:
    client = _manager()
    for name, case in _cases().items():
        deep = _deep(case)
        for place, after in (("first", {}), ("deep", {"after": f"{deep.supply_ends_on}_{deep.pk}"})):
            yield f"page, {name}, {place}", timed(partial(_get, client, {**case.query, **after}))
    yield "totals, all locations", timed(_totals(OverdueFilter()))
    place = _largest()
    yield "totals, largest location", timed(_totals(OverdueFilter(location_ids=frozenset({place}))))
    yield "totals, one kind", timed(_totals(OverdueFilter(kind=Kind.MASK)))
    yield "totals, one payer, counted line by line", timed(_totals(OverdueFilter(payer_id=_payer())), runs=5)
    for reach in Reach:
        wanted = OverdueFilter(reach=reach)
        yield f"query, {reach.value}", timed(partial(overdue_page, wanted, today=TODAY))
    yield "query, nobody is assigned", timed(partial(overdue_page, OverdueFilter(assigned_id=0), today=TODAY))
    yield "parts never given, a page", timed(partial(lacking_page, ()), runs=5)
    yield "fold of the counts", timed(supply_ends.fold, runs=3, warm=0)


def _against_raw() -> Iterator[Result]:
    """The query of a page against raw SQL of the same rows, not prepared, and the addresses in them read."""
    for name, case in _cases().items():
        for place, deep in (("first", None), ("deep", _deep(case))):
            ours = timed(partial(overdue_page, case.wanted, today=TODAY, after=deep))
            raw = timed(_raw(case, deep))
            yield Result(f"query, {name}, {place}", ours, raw, "raw SQL, decrypted", 3)


def _cases() -> dict[str, Case]:
    largest, payer = _largest(), _payer()
    return {
        "all locations": Case(OverdueFilter(), {}, "", {}, 3),
        "largest location": Case(
            OverdueFilter(location_ids=frozenset({largest})),
            {"location": largest},
            "AND line.location_id = %(place)s",
            {"place": largest},
        ),
        "location and kind": Case(
            OverdueFilter(location_ids=frozenset({largest}), kind=Kind.MASK),
            {"location": largest, "kind": "mask"},
            "AND line.location_id = %(place)s AND line.kind = 'mask'",
            {"place": largest},
        ),
        "payer": Case(
            OverdueFilter(payer_id=payer),
            {"payer": payer},
            "AND line.payer_id = %(payer)s",
            {"payer": payer},
            3,
        ),
        "kind": Case(OverdueFilter(kind=Kind.TUBING), {"kind": "tubing"}, "AND line.kind = 'tubing'", {}, 3),
        "age of delay": Case(
            OverdueFilter(least_days=8, most_days=30),
            {"least": 8, "most": 30},
            "AND line.supply_ends_on BETWEEN %(today)s - 30 AND %(today)s - 8",
            {},
            3,
        ),
    }


def _deep(case: Case) -> Place:
    """A place in the middle of a list."""
    rows = overdue_lines(case.wanted, today=TODAY).order_by("supply_ends_on", "pk")
    row = rows[rows.count() // 2]
    return Place(row.supply_ends_on, row.pk)


def _raw(case: Case, deep: Place | None) -> Callable[[], object]:
    where, values = case.where, {**case.values, "today": TODAY}
    if deep is not None:
        where += " AND (line.supply_ends_on, line.id) > (%(day)s, %(pk)s)"
        values |= {"day": deep.supply_ends_on, "pk": deep.pk}

    def work() -> object:
        with connection.cursor() as cursor:
            cursor.execute(_RAW.format(where=where), values)
            return [(*row, decrypt(row[11]), decrypt(row[12])) for row in cursor.fetchall()]

    return work


def _totals(wanted: OverdueFilter) -> Callable[[], object]:
    return partial(overdue_by_age, wanted, today=TODAY)


def _lines() -> int:
    return sum(overdue_by_age(OverdueFilter(), today=TODAY))


def _largest() -> int:
    places = Location.objects.annotate(number=Count("patients")).order_by("-number")
    return places.values_list("pk", flat=True)[0]


def _payer() -> int:
    """One of the rarer payers."""
    return Payer.objects.order_by("-pk").values_list("pk", flat=True)[0]


def _manager() -> Client:
    user, _ = User.objects.get_or_create(username="bench-manager")
    Staff.objects.get_or_create(user=user, role=Role.MANAGER)
    client = Client()
    client.force_login(user)
    return client


def _get(client: Client, query: dict[str, object]) -> None:
    shown(client.get(reverse("manager:overdue"), query))
