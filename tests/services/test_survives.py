"""What is acknowledged is there, whole; the rest is not there in part: short forms of `make test-faults`."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from typing import Any
from uuid import UUID, uuid4

import psycopg
import pytest
from django.db import OperationalError, connection
from django.db.utils import InterfaceError
from django.test import Client
from django.urls import reverse

from resupply.models import CatalogueItem, Dispense, DispenseLine, Message, Patient, PlanLine, StockMovement
from resupply.rules.sending import Answer, Outcome
from resupply.services import dispensing, outbox, plans
from resupply.services.dispensing import NewLine
from resupply.services.reminders import enqueue_due
from tests.builders import NOW, TODAY, make_item, make_location, make_movement, make_patient
from tests.cast import Cast
from tests.services.sending import KeepingCarrier, make_due_patient

HOUR = timedelta(hours=1)


@contextmanager
def server_dies_at(number: int) -> Iterator[list[str]]:
    """The database ends this connection before statement `number`, as when it is killed; what was said."""
    said: list[str] = []

    def wrapper(execute: Callable[..., Any], sql: str, params: Any, many: bool, context: Any) -> Any:
        said.append(sql)
        if len(said) == number:
            given = connection.get_connection_params() | {"cursor_factory": None, "context": None}
            pid = connection.connection.info.backend_pid
            with psycopg.connect(**given, autocommit=True) as other:
                other.execute("SELECT pg_terminate_backend(%s, 2000)", [pid])
        return execute(sql, params, many, context)

    with connection.execute_wrapper(wrapper):
        yield said


def dispense(patient: Patient, item: CatalogueItem, form_key: UUID) -> Dispense:
    early = "the last ones tore"
    line = NewLine(part_code="A7032", item=item, quantity=2, lot="L1", exception_reason=early)
    tube = NewLine(part_code="A7037", quantity=1, exception_reason=early)
    return dispensing.record_dispense(
        patient=patient, location=patient.location, dispensed_on=TODAY, lines=[line, tube], by=None, now=NOW,
        form_key=form_key, allow_short=True,
    )  # fmt: skip


def written() -> list[int]:
    """Rows of everything that a dispense writes, history too."""
    models = (Dispense, DispenseLine, StockMovement, PlanLine)
    counts = [model.objects.count() for model in models]
    with connection.cursor() as cursor:
        for table in ("dispensechange", "dispenselinechange", "stockmovementchange"):
            cursor.execute(f"SELECT count(*) FROM resupply_{table}")  # noqa: S608
            counts.append(cursor.fetchone()[0])
    return counts


@pytest.mark.django_db(transaction=True)
def test_a_database_that_dies_amid_a_dispense_leaves_nothing_or_all_of_it() -> None:
    """Killed before its first row, amid them, amid the plan, and before the commit; then sent again."""
    item, place = make_item(kind="cushion", part_code="A7032"), make_location(tracks_stock=True)
    make_movement(item, place, quantity=90)
    dispense(make_patient(location=place), item, uuid4())  # from now on the clinic's rules are kept
    patient, before = make_patient(location=place), written()
    with server_dies_at(0) as said:
        dispense(patient, item, uuid4())
    assert [now - was for now, was in zip(written(), before, strict=True)] == [1, 2, 1, 2, 1, 2, 1]
    inserts = [number for number, sql in enumerate(said, 1) if sql.startswith("INSERT")]
    for number in {inserts[0], inserts[1], inserts[len(inserts) // 2], inserts[-1], len(said)}:
        patient, form_key = make_patient(location=place), uuid4()
        before = written()
        with pytest.raises((OperationalError, InterfaceError)), server_dies_at(number):
            dispense(patient, item, form_key)
        connection.close()
        assert written() == before, said[number - 1]
        made = dispense(patient, item, form_key)
        assert dispense(patient, item, form_key) == made  # the answer was lost, and it is sent once more
        assert made.lines.count() == 2
        stored = list(patient.plan_lines.order_by("kind").values_list("kind", "spares", "supply_ends_on"))
        plans.refresh_plans([patient.pk], now=NOW)
        again = list(patient.plan_lines.order_by("kind").values_list("kind", "spares", "supply_ends_on"))
        assert stored == again


@pytest.mark.django_db
@pytest.mark.parametrize("error", ["DiskFull", "AdminShutdown", "CannotConnectNow", "TooManyConnections"])
def test_a_page_says_that_the_records_cannot_be_reached(cast: Cast, error: str) -> None:
    """What PostgreSQL answers with no room left, amid its end, at its start, and with too many visitors."""
    client = Client(raise_request_exception=False)
    client.force_login(cast.desk.user)

    def refuse(execute: Callable[..., Any], sql: str, params: Any, many: bool, context: Any) -> Any:
        if "resupply_patient" in sql:
            raise OperationalError from getattr(psycopg.errors, error)("no room: Odalys Brandt")
        return execute(sql, params, many, context)

    with connection.execute_wrapper(refuse):
        answer = client.get(reverse("desk:patient", args=[cast.odalys.public_id]))
    assert (answer.status_code, answer["Retry-After"]) == (503, "30")
    assert "cannot be reached just now" in answer.content.decode()
    assert "Odalys" not in answer.content.decode()
    assert "default-src 'none'" in answer["Content-Security-Policy"]
    assert client.get(reverse("desk:patient", args=[cast.odalys.public_id])).status_code == 200


@pytest.mark.django_db
def test_without_queue_and_cache_the_desk_works_on(cast: Cast, settings: Any) -> None:
    """Redis has been gone for an hour: pages, a record and a calendar do without, and nothing due is lost."""
    nobody = "redis://127.0.0.1:1/0"
    settings.REDIS_URL = nobody
    settings.CACHES = {"default": settings.CACHES["default"] | {"LOCATION": nobody}}
    client = Client(raise_request_exception=False)
    client.force_login(cast.desk.user)
    for page in ("home", "desk:find", "desk:book"):
        assert client.get(reverse(page)).status_code == 200, page
    assert client.get(reverse("desk:patient", args=[cast.odalys.public_id])).status_code == 200
    given = make_item(name="Aspen cushion", kind="cushion", part_code="A7032")
    assert dispense(cast.odalys, given, uuid4()).pk
    due = make_due_patient()
    assert enqueue_due(now=NOW) >= 1
    carrier = KeepingCarrier()  # the first sweep after the hour
    outbox.deliver({"mail": carrier}, now=NOW + HOUR)
    assert [one.address for one in carrier.letters].count(due.email) == 1


@pytest.mark.django_db
def test_a_clock_that_steps_back_an_hour_delays_and_neither_loses_nor_doubles() -> None:
    """Two messages: one sent before the step, one in hand, with its lease, when the clock steps."""
    first, second = (
        make_due_patient(email="one@patients.example"),
        make_due_patient(email="two@patients.example"),
    )
    assert enqueue_due(now=NOW) == 2
    later = Answer(Outcome.LATER, "451 not now")
    carrier = KeepingCarrier([Answer(Outcome.ACCEPTED), later])
    outbox.deliver({"mail": carrier}, now=NOW)
    assert {row.state for row in Message.objects.all()} == {"sent", "waiting"}

    for minutes in range(-60, 1, 10):  # the hour is lived through a second time, with every sweep
        moment = NOW + timedelta(minutes=minutes)
        enqueue_due(now=moment)
        outbox.deliver({"mail": carrier}, now=moment)
    outbox.deliver({"mail": carrier}, now=NOW + HOUR)
    assert Message.objects.count() == 2
    assert sorted(one.address for one in carrier.letters) == sorted([first.email, second.email])
    assert {row.state for row in Message.objects.all()} == {"sent"}
