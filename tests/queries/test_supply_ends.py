"""The law of the counts: whatever writes plan lines, in whatever way, the sums equal a count of the lines."""

import random
from collections.abc import Callable
from datetime import date, timedelta

import pytest
from django.db import connection, models
from django.db.models import Count, Sum

from resupply.models import Patient, PlanLine, SupplyEnd
from resupply.queries.overdue import OverdueFilter, overdue_lines
from resupply.queries.overdue_ages import AGES, overdue_by_age
from resupply.rules.kinds import Kind
from resupply.services import supply_ends
from tests.builders import TODAY, make_location, make_patient

pytestmark = pytest.mark.django_db
KINDS = [Kind.MASK.value, Kind.CUSHION.value, Kind.TUBING.value]


def sums(*by: str, **where: object) -> dict[tuple[object, ...], int]:
    rows = SupplyEnd.objects.filter(**where).values_list(*by).annotate(n=Sum("lines")).order_by()
    return {tuple(key): n for *key, n in rows if n}


def check() -> None:
    """Both kinds of sums against the lines, and the list's totals against the list."""
    lines = PlanLine.objects.filter(active=True).order_by()
    by = ("location", "kind", "supply_ends_on")
    counted = {tuple(key): n for *key, n in lines.values_list(*by).annotate(n=Count("pk"))}
    assert sums(*by, location__isnull=False) == counted
    days = {tuple(key): n for *key, n in lines.values_list("supply_ends_on").annotate(n=Count("pk"))}
    assert sums("supply_ends_on", location=None) == days
    place = PlanLine.objects.values_list("location", flat=True).first()
    for wanted in (
        OverdueFilter(),
        OverdueFilter(location_ids=frozenset({place or 0})),
        OverdueFilter(kind=Kind.MASK, least_days=5, most_days=60),
    ):
        found = [(TODAY - row.supply_ends_on).days for row in overdue_lines(wanted, today=TODAY)]
        banded = [sum(low <= age and (high is None or age <= high) for age in found) for low, high in AGES]
        assert overdue_by_age(wanted, today=TODAY) == banded, wanted


def line(dice: random.Random, patient: Patient, kind: str) -> PlanLine:
    ends = TODAY - timedelta(days=dice.randrange(-30, 120))
    paused = dice.random() < 0.2
    return PlanLine(
        patient=patient, location=patient.location, active=dice.random() < 0.8, kind=kind, part_code="A7032",
        spares=0, supply_ends_on=ends, refill_on=ends, ask_from=ends, deliver_from=ends, delivery_lead=10,
        target_units=1, paused_from=TODAY - timedelta(days=1) if paused else None,
    )  # fmt: skip


def test_the_sums_equal_the_lines_after_any_writes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Rows one by one and in bulk, upserts, raw SQL, deletes, patients who move, and folds in between."""
    dice = random.Random(20260318)
    places = [make_location(), make_location()]
    people = [make_patient(location=places[n % 2]) for n in range(12)]

    def some() -> "models.QuerySet[PlanLine]":
        keys = list(PlanLine.objects.values_list("pk", flat=True))
        return PlanLine.objects.filter(pk__in=dice.sample(keys, k=min(len(keys), dice.randrange(1, 6))))

    def new() -> list[PlanLine]:
        taken = set(PlanLine.objects.values_list("patient", "kind"))
        free = [(one, kind) for one in people for kind in KINDS if (one.pk, kind) not in taken]
        return [
            line(dice, one, kind) for one, kind in dice.sample(free, k=min(len(free), dice.randrange(1, 8)))
        ]

    def upsert() -> None:
        rows = [line(dice, one, KINDS[0]) for one in dice.sample(people, k=3)]
        held = dict(PlanLine.objects.filter(kind=KINDS[0]).values_list("patient", "pk"))
        for row in rows:
            row.pk = held.get(row.patient_id)
        PlanLine.objects.bulk_create(
            [row for row in rows if row.pk] or rows[:1],
            update_conflicts=True,
            unique_fields=["id"],
            update_fields=["supply_ends_on", "active", "location"],
        )

    def raw() -> None:
        with connection.cursor() as cursor:
            cursor.execute(
                "UPDATE resupply_planline SET supply_ends_on = supply_ends_on + %s, active = id %% 3 > 0,"
                " location_id = %s WHERE id %% 2 = %s",
                [dice.randrange(-9, 9), dice.choice(places).pk, dice.randrange(2)],
            )

    writes: list[Callable[[], object]] = [
        lambda: PlanLine.objects.bulk_create(new()),
        lambda: [row.save() for row in new()[:1]],
        lambda: some().update(supply_ends_on=TODAY - timedelta(days=dice.randrange(90))),
        lambda: some().update(active=dice.random() < 0.5, location=dice.choice(places)),
        lambda: some().update(worn_on=date(2026, 1, dice.randrange(1, 28))),
        lambda: some().delete(),
        raw,
        upsert,
        supply_ends.fold,
    ]
    monkeypatch.setattr(supply_ends, "WORTH_FOLDING", 1)
    for _ in range(60):
        dice.choice(writes)()
        check()
    assert PlanLine.objects.exists()


def test_copy_is_counted_and_a_count_anew_gives_the_same() -> None:
    patient = make_patient()
    with connection.cursor() as cursor:
        columns = "patient_id, location_id, active, kind, part_code, spares, supply_ends_on, refill_on"
        columns += (
            ", ask_from, deliver_from, covered_starts, billed_on, delivery_lead, target_units, changes_on"
        )
        with cursor.copy(f"COPY resupply_planline ({columns}) FROM STDIN") as rows:
            for kind in KINDS:
                rows.write_row(
                    [patient.pk, patient.location_id, True, kind, "A7032", 0, *[TODAY] * 4, [], [], 10, 1, []]
                )
    check()
    before = sums("location", "kind", "supply_ends_on")
    supply_ends.count_anew()
    assert sums("location", "kind", "supply_ends_on") == before
    with connection.cursor() as cursor:
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        cursor.execute("TRUNCATE resupply_planline CASCADE")
    assert not SupplyEnd.objects.exists()
