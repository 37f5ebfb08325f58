"""One patient at the desk: the page whatever the length of the history, and the plan within a dispense."""

from collections.abc import Callable, Iterator
from datetime import timedelta

from django.db import connection, transaction
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from benchmarks import databases
from benchmarks.measure import Result, measured, shown, timed
from clinic.accounts.models import User
from resupply import clock
from resupply.models import (
    AllowanceVersion,
    Coverage,
    Dispense,
    DispenseLine,
    Event,
    EventType,
    Location,
    Patient,
    Payer,
    RefillSource,
    Role,
    Staff,
)
from resupply.rules.tables import part_types, usual_maximums
from resupply.services import plans

CODES = ("A7034", "A7032", "A7035", "A7037", "A7038")


def run(sizes: tuple[int, ...]) -> Iterator[Result | str]:
    """Page of 200 dispenses against 10; a refresh against 5 ms and 10 queries."""
    databases.use(sizes[-1])
    with transaction.atomic():
        yield from _results()
        transaction.set_rollback(True)


def _results() -> Iterator[Result]:
    payer = _payer()
    short, long = _patient(payer, "short", dispenses=10), _patient(payer, "long", dispenses=200)
    usual = _patient(payer, "usual", dispenses=8)
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")  # what the server does by itself about a minute after a table grew
    open_page = _page()
    queries = {person.pk: _counted(lambda person=person: open_page(person)) for person in (short, long)}
    few, many = timed(lambda: open_page(short)), timed(lambda: open_page(long))
    yield Result("patient page, 200 dispenses", many, few, "with 10", 1.5)
    yield Result("patient page, queries", float(max(queries.values())), 12.0, "limit", 1)
    now = clock.now()
    yield Result(
        "plan of one patient, 40 units, nothing to write",
        timed(lambda: plans.refresh_plans([usual.pk], now=now)),
        5.0,
        "limit in ms",
        1,
    )
    yield Result(
        "plan of one patient, 40 units, within a dispense",
        measured(lambda: _dispenses(usual)),
        5.0,
        "limit in ms",
        1,
    )
    _dispense(usual, days_ago=1)
    written = _counted(lambda: plans.refresh_plans([usual.pk], now=now))
    yield Result("plan of one patient, queries within a dispense", float(written), 10.0, "limit", 1)


def _counted(work: Callable[[], object]) -> int:
    with CaptureQueriesContext(connection) as queries:
        work()
    return len(queries)


def _page() -> Callable[[Patient], None]:
    user = User.objects.create(username="bench page")
    Staff.objects.create(user=user, role=Role.DESK)
    client = Client()
    client.force_login(user)

    def open_page(patient: Patient) -> None:
        shown(client.get(reverse("desk:patient", args=[patient.public_id])))

    return open_page


def _dispenses(patient: Patient) -> Iterator[Callable[[], object]]:
    """Refreshes, each after another cushion was dispensed (that write is not timed)."""
    now = clock.now()
    for number in range(15):
        _dispense(patient, days_ago=30 - number)
        yield lambda: plans.refresh_plans([patient.pk], now=now)


def _payer() -> Payer:
    """A payer of the published usual maximums, beside three others with as many."""
    for name in ("bench A", "bench B", "bench C", "bench D"):
        payer = Payer.objects.create(name=name, refill_source=RefillSource.SHIPPED)
        AllowanceVersion.objects.bulk_create(
            AllowanceVersion(
                payer=payer,
                part_code=code,
                units=allowance.units,
                period_count=allowance.period.count,
                period_unit=allowance.period.unit.value,
                at_once_periods=allowance.at_once,
                effective_from=allowance.effective_from,
            )
            for code, allowance in usual_maximums().items()
        )
    return payer


def _patient(payer: Payer, name: str, *, dispenses: int) -> Patient:
    """A patient given five parts at each of so many dispenses, the last three weeks ago, with a swap now and
    then.
    """
    today = clock.now().date()
    patient = Patient.objects.create(
        reference=f"bench {name}",
        given_name="Bench",
        family_name=name,
        birth_date=today - timedelta(days=22_000),
        location=Location.objects.earliest("pk"),
        therapy_started_on=today - timedelta(days=21 + 91 * dispenses),
    )
    Coverage.objects.create(patient=patient, payer=payer, starts_on=patient.therapy_started_on)
    for number in range(dispenses):
        days_ago = 21 + (91 if dispenses < 50 else 30) * number
        _dispense(patient, days_ago=days_ago, codes=CODES, payer=payer)
        if number % 4 == 1:
            Event.objects.create(
                patient=patient, event=EventType.SWAP, kind="cushion", on=today - timedelta(days=days_ago - 5)
            )
    plans.refresh_plans([patient.pk], now=clock.now())
    return patient


def _dispense(
    patient: Patient, *, days_ago: int, codes: tuple[str, ...] = ("A7032",), payer: Payer | None = None
) -> None:
    dispense = Dispense.objects.create(
        patient=patient, location=patient.location, dispensed_on=clock.now().date() - timedelta(days=days_ago)
    )
    DispenseLine.objects.bulk_create(
        DispenseLine(
            dispense=dispense,
            position=position,
            part_code=code,
            kind=part_types()[code].kind.value,
            quantity=1,
            billed=payer is not None,
            billed_to=payer,
        )
        for position, code in enumerate(codes)
    )
