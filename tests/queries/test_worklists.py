"""Today's work lists: who stands on them, who never does, as tables of cases.

Odalys has one cushion since 1 February, overdue since 1 March; it is 2026-03-18. The North room is hers.
"""

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from django.db.models import QuerySet
from pytest_django import DjangoAssertNumQueries

from resupply.models import Message, MessageReason, Patient, PlanLine, RefillAnswer, StockLevel
from resupply.queries import worklists
from resupply.services import back_orders, plans
from resupply.services.bounces import record_bounce
from resupply.services.standing import settle
from tests import builders
from tests.builders import (
    NOW,
    TODAY,
    make_consent,
    make_contact,
    make_dispense,
    make_event,
    make_item,
    make_patient,
    make_recall,
)
from tests.cast import Cast

pytestmark = pytest.mark.django_db


@pytest.fixture
def odalys(cast: Cast) -> Patient:
    return with_cushion(cast.odalys)


def with_cushion(patient: Patient, *, on: date = date(2026, 2, 1), **line: Any) -> Patient:
    make_dispense(patient, on=on, lines=[line])
    plans.refresh_plans([patient.pk], now=NOW)
    return patient


def make_answer(patient: Patient, **over: Any) -> RefillAnswer:
    """An answer, and what follows from it."""
    answer = builders.make_answer(patient, **over)
    settle([patient.pk])
    return answer


def days_ago(days: int) -> date:
    return TODAY - timedelta(days=days)


def kinds(rows: QuerySet[Any]) -> list[str]:
    return sorted(row.kind for row in rows)


def said_yes(*places: int) -> list[str]:
    return kinds(worklists.said_yes(places, today=TODAY))


def calls(*places: int) -> list[str]:
    return kinds(worklists.calls(places, today=TODAY))


def to_handle(*places: int) -> int:
    return worklists.to_handle(places, today=TODAY).count()


# --- said yes ---

YES_CASES: list[tuple[dict[str, Any], list[dict[str, Any]], bool, str]] = [
    ({}, [{}], True, "a yes"),
    ({"wish": "not_now"}, [{"wanted": False, "need": ""}], False, "not now"),
    ({}, [{"wanted": False, "need": ""}], False, "a yes to other parts"),
    ({"contacted_on": date(2026, 2, 1)}, [{}], False, "a yes to the parts that came that day"),
    ({"voided_at": NOW, "void_reason": "misheard"}, [{}], False, "a voided yes"),
    ({}, [{"kind": "tubing", "part_code": "A7037"}], False, "a part that is on record no more"),
]


@pytest.mark.parametrize(("over", "items", "shown", "what"), YES_CASES, ids=[case[3] for case in YES_CASES])
def test_who_said_yes(
    odalys: Patient, over: dict[str, Any], items: list[dict[str, Any]], shown: bool, what: str
) -> None:
    make_answer(odalys, items=items, **over)
    assert said_yes() == (["cushion"] if shown else [])


@pytest.mark.parametrize(("days", "shown"), [(179, True), (180, False)])
def test_a_yes_counts_for_180_days(cast: Cast, days: int, shown: bool) -> None:
    with_cushion(cast.odalys, on=date(2025, 8, 1))
    make_answer(cast.odalys, contacted_on=days_ago(days))
    assert said_yes() == (["cushion"] if shown else [])


def test_a_yes_carries_the_day_from_which_it_may_go_out(odalys: Patient) -> None:
    make_answer(odalys)
    row: Any = worklists.said_yes((), today=TODAY).get()
    line = PlanLine.objects.get()
    assert (row.deliver_from, row.supply_ends_on) == (line.deliver_from, date(2026, 3, 1))


def test_a_later_answer_takes_the_yes_off_the_list(odalys: Patient) -> None:
    make_answer(odalys)
    make_answer(
        odalys, answered_at=NOW, wish="not_now", items=[{"wanted": False, "need": ""}], contacted_on=TODAY
    )
    assert said_yes() == []


def test_what_was_given_since_leaves_the_list(odalys: Patient) -> None:
    item = make_answer(odalys).items.get()
    make_dispense(odalys, on=TODAY, lines=[{"answer_item": item}])
    plans.refresh_plans([odalys.pk], now=NOW)
    assert said_yes() == []


# --- who never appears ---


def _pause(patient: Patient) -> None:
    make_event(patient, "pause", on=date(2026, 3, 10))


def _status(status: str) -> Callable[[Patient], None]:
    return lambda patient: Patient.objects.filter(pk=patient.pk).update(status=status) and None


NEVER = {"a pause": _pause} | {name: _status(name) for name in ("ended", "died", "moved", "withdrawn")}


@pytest.mark.parametrize("what", sorted(NEVER))
def test_who_is_not_on_therapy_or_pauses_is_on_no_list(cast: Cast, odalys: Patient, what: str) -> None:
    make_answer(odalys, needs_person=True, note="calls back", contacted_on=date(2026, 3, 9))
    make_dispense(odalys, on=date(2026, 1, 2), lines=[{"part_code": "A7038"}])
    plans.refresh_plans([odalys.pk], now=NOW)
    back_orders.back_order(
        patient=odalys, location=cast.north, item=None, kind="tubing", part_code="A7037", quantity=1,
        by=None, now=NOW,
    )  # fmt: skip
    expected = worklists.expected((), today=TODAY)
    assert (said_yes(), calls(), to_handle(), len(expected)) == (["cushion"], ["filter_disposable"], 1, 1)
    NEVER[what](odalys)
    plans.refresh_plans([odalys.pk], now=NOW)
    assert (said_yes(), calls(), to_handle(), len(expected.all())) == ([], [], 0, 0)


def test_each_room_sees_its_own(cast: Cast, odalys: Patient) -> None:
    with_cushion(cast.tevin)
    make_answer(odalys, needs_person=True)
    assert (said_yes(cast.north.pk), said_yes(cast.south.pk)) == (["cushion"], [])
    assert (calls(cast.north.pk), calls(cast.south.pk)) == ([], ["cushion"])
    assert (to_handle(cast.north.pk), to_handle(cast.south.pk)) == (1, 0)


# --- needs a person ---

PERSON_CASES = [
    ({"needs_person": True}, 1, "waits"),
    ({"needs_person": False}, 0, "a plain answer"),
    ({"needs_person": True, "handled_at": NOW}, 0, "handled"),
    ({"needs_person": True, "voided_at": NOW, "void_reason": "misheard"}, 0, "voided"),
]


@pytest.mark.parametrize(("over", "shown", "what"), PERSON_CASES, ids=[case[2] for case in PERSON_CASES])
def test_which_answers_wait_for_a_person(
    odalys: Patient, over: dict[str, Any], shown: int, what: str
) -> None:
    make_answer(odalys, **over)
    assert to_handle() == shown


# --- calls ---


def wrote(
    patient: Patient, *, days: int, state: str = "sent", ends: date = date(2026, 3, 1), **over: Any
) -> Message:
    """A message about the cushion so many days ago."""
    address = patient.phone if over.get("channel") == "text" else patient.email
    values = {"channel": "mail", "purpose": "refill", "address": address} | over
    message = Message.objects.create(
        patient=patient,
        day=days_ago(days),
        state=state,
        created_at=NOW,
        not_before=NOW,
        expires_at=NOW,
        finished_at=NOW,
        **values,
    )
    MessageReason.objects.create(
        message=message,
        patient=patient,
        kind="cushion",
        step="ask" if days else "due",
        supply_ends_on=ends,
        stands=state == "sent",
    )
    return message


def came_back(patient: Patient, detail: str, **over: Any) -> None:
    """A message of yesterday that came back."""
    record_bounce(wrote(patient, days=1, **over), detail=detail, now=NOW)


def test_who_can_be_written_to_is_not_called_at_once(odalys: Patient) -> None:
    make_consent(odalys)
    assert calls() == []


def _no_address(patient: Patient) -> None:
    make_consent(patient)
    Patient.objects.filter(pk=patient.pk).update(email="")


CALL_CASES: list[tuple[str, Callable[[Patient], object], bool]] = [
    ("never asked about e-mail", lambda p: None, True),
    ("wants no e-mail", lambda p: make_consent(p, granted=False), True),
    ("e-mail is welcome again", lambda p: (make_consent(p, granted=False), make_consent(p)), False),
    ("no address", _no_address, True),
    ("the last message failed", lambda p: (make_consent(p), wrote(p, days=1, state="failed")), True),
    ("the last message came back", lambda p: (make_consent(p), came_back(p, "5.2.2")), True),
    (
        "the address does not exist",
        lambda p: (make_consent(p), came_back(p, "5.1.1"), wrote(p, days=0)),
        True,
    ),
    (
        "a message that came back before one that did not",
        lambda p: (make_consent(p), came_back(p, "5.2.2"), wrote(p, days=0)),
        False,
    ),
    (
        "of two messages of a day the later counts",
        lambda p: (
            make_consent(p),
            wrote(p, days=1, purpose="recall", recall=make_recall()),
            wrote(p, days=1, state="failed"),
        ),
        True,
    ),
    ("texts are welcome, but nobody sends any", lambda p: make_consent(p, channel="text"), True),
    (
        "a failure before one that was sent",
        lambda p: (make_consent(p), wrote(p, days=3, state="failed"), wrote(p, days=1)),
        False,
    ),
    ("asked six days ago", lambda p: (make_consent(p), wrote(p, days=6)), False),
    ("asked seven days ago", lambda p: (make_consent(p), wrote(p, days=7)), True),
    (
        "asked about the refill before",
        lambda p: (make_consent(p), wrote(p, days=40, ends=date(2026, 2, 1))),
        False,
    ),
    ("a message that never left", lambda p: (make_consent(p), wrote(p, days=9, state="cancelled")), False),
    ("calls refused", lambda p: make_consent(p, channel="phone", granted=False), False),
    ("calls welcome", lambda p: make_consent(p, channel="phone"), True),
    (
        "calls refused, then allowed",
        lambda p: (make_consent(p, channel="phone", granted=False), make_consent(p, channel="phone")),
        True,
    ),
    ("answered yes", make_answer, False),
    (
        "said not now 29 days ago",
        lambda p: make_answer(
            p, wish="not_now", contacted_on=days_ago(29), items=[{"wanted": False, "need": ""}]
        ),
        False,
    ),
    (
        "said not now 30 days ago",
        lambda p: make_answer(
            p, wish="not_now", contacted_on=days_ago(30), items=[{"wanted": False, "need": ""}]
        ),
        True,
    ),
    (
        "a yes that an old not-now replaced",
        lambda p: (
            make_answer(p, contacted_on=days_ago(60), answered_at=NOW - timedelta(days=60)),
            make_answer(
                p,
                wish="not_now",
                contacted_on=days_ago(40),
                answered_at=NOW - timedelta(days=40),
                items=[{"wanted": False, "need": ""}],
            ),
        ),
        True,
    ),
    ("a voided yes", lambda p: make_answer(p, voided_at=NOW, void_reason="misheard"), True),
    (
        "a yes to another part six days ago",
        lambda p: make_answer(p, items=[{"kind": "mask", "part_code": "A7034"}], contacted_on=days_ago(6)),
        False,
    ),
    (
        "a yes to another part seven days ago",
        lambda p: make_answer(p, items=[{"kind": "mask", "part_code": "A7034"}], contacted_on=days_ago(7)),
        True,
    ),
    ("to be called tomorrow", lambda p: make_contact(p, again_on=TODAY + timedelta(days=1)), False),
    ("to be called today", lambda p: make_contact(p, again_on=TODAY), True),
    ("a wrong number", lambda p: make_contact(p, outcome="wrong_number"), True),
    (
        "the newest call counts",
        lambda p: (
            make_contact(p, on=days_ago(4), again_on=TODAY + timedelta(days=9)),
            make_contact(p, on=days_ago(2), again_on=TODAY),
        ),
        True,
    ),
    (
        "a voided call does not count",
        lambda p: make_contact(
            p, again_on=TODAY + timedelta(days=9), voided_at=NOW, void_reason="another patient"
        ),
        True,
    ),
]


@pytest.mark.parametrize(("what", "happen", "called"), CALL_CASES, ids=[case[0] for case in CALL_CASES])
def test_who_is_called(odalys: Patient, what: str, happen: Callable[[Patient], object], called: bool) -> None:
    happen(odalys)
    assert calls() == (["cushion"] if called else [])


TEXT_CASES: list[tuple[str, Callable[[Patient], object], bool]] = [
    ("texts are welcome", lambda p: None, False),
    ("the number does not exist", lambda p: came_back(p, "unknown_number", channel="text"), True),
    ("the last text came back", lambda p: came_back(p, "expired", channel="text"), True),
    ("no more texts", lambda p: make_consent(p, channel="text", granted=False), True),
    ("a text a week ago", lambda p: wrote(p, days=7, channel="text"), True),
    (
        "a reply is no question",
        lambda p: (came_back(p, "expired", channel="text"), wrote(p, days=0, channel="text", purpose="help")),
        True,
    ),
]


@pytest.mark.parametrize(("what", "happen", "called"), TEXT_CASES, ids=[case[0] for case in TEXT_CASES])
def test_who_is_called_where_texts_are_sent(
    odalys: Patient, what: str, happen: Callable[[Patient], object], called: bool
) -> None:
    Patient.objects.filter(pk=odalys.pk).update(phone="+1 303 555 0142")
    odalys.refresh_from_db()
    make_consent(odalys, channel="text")
    happen(odalys)
    assert worklists.calls((), today=TODAY, channels=("mail", "text")).exists() is called


@pytest.mark.parametrize(("day", "called"), [(date(2026, 1, 29), False), (date(2026, 1, 30), True)])
def test_nobody_is_called_before_the_day_to_ask(odalys: Patient, day: date, called: bool) -> None:
    """One month of supply from 1 February ends on 1 March; the patient may be asked 30 days before."""
    PlanLine.objects.update(ask_from=date(2026, 1, 30))
    assert worklists.calls((), today=day).exists() is called


def test_a_call_brings_what_the_caller_needs_to_know(odalys: Patient) -> None:
    make_consent(odalys)
    wrote(odalys, days=9)
    make_contact(odalys, outcome="left_word", note="with the wife", again_on=days_ago(1))
    row: Any = worklists.calls((), today=TODAY).get()
    assert (row.asked_on, row.may_mail, row.last_failed, row.may_call) == (days_ago(9), True, False, None)
    assert (row.contact_on, row.contact_outcome, row.contact_note) == (
        date(2026, 3, 16),
        "left_word",
        "with the wife",
    )
    assert row.supplied_on == date(2026, 2, 1)


# --- expected back ---


def test_parts_promised_with_what_lies_on_the_shelf(cast: Cast, odalys: Patient) -> None:
    item = make_item(name="Nasal cushion", size="M")
    order = back_orders.back_order(
        patient=odalys, location=cast.north, item=item, kind="cushion", part_code="A7032", quantity=3,
        by=None, now=NOW,
    )  # fmt: skip

    def in_stock() -> Any:
        row: Any = worklists.expected((), today=TODAY).get()
        return row.in_stock

    assert in_stock() is None
    shelf = {"item": item, "location": cast.north}
    StockLevel.objects.create(**shelf, lot="A", expires_on=TODAY, on_hand=2)
    StockLevel.objects.create(**shelf, lot="B", on_hand=1)
    StockLevel.objects.create(**shelf, lot="C", expires_on=days_ago(1), on_hand=50)  # expired
    StockLevel.objects.create(item=item, location=cast.south, on_hand=50)  # elsewhere
    assert in_stock() == 3
    back_orders.void_back_order(order, reason="bought it elsewhere", by=None, now=NOW)
    assert not worklists.expected((), today=TODAY).exists()


# --- reading ---


def test_rows_of_one_patient_stand_together_and_a_cut_list_says_so(cast: Cast, odalys: Patient) -> None:
    make_dispense(odalys, on=date(2026, 1, 20), lines=[{"part_code": "A7038"}])
    plans.refresh_plans([odalys.pk], now=NOW)
    with_cushion(make_patient(location=cast.north))
    rows = worklists.calls((), today=TODAY).order_by("supply_ends_on", "pk")
    found = worklists.read(rows, lambda line: line.patient, at_most=3)
    assert [len(group.rows) for group in found.groups] == [2, 1]
    assert (found.groups[0].patient, found.is_cut) == (odalys, False)
    assert worklists.read(rows, lambda line: line.patient, at_most=2).is_cut


@pytest.mark.parametrize("number", [1, 30])
def test_each_list_is_as_many_queries_for_thirty_as_for_one(
    cast: Cast, number: int, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    for place in range(number):
        person = with_cushion(make_patient(location=cast.north))
        make_answer(person, needs_person=True, answered_at=datetime(2026, 3, 16, 18, place, tzinfo=UTC))
        with_cushion(make_patient(location=cast.north))
    with django_assert_num_queries(4):
        yes = worklists.read(
            worklists.said_yes((), today=TODAY), lambda item: item.answer.patient, at_most=90
        )
        handle = worklists.read(worklists.to_handle((), today=TODAY), lambda one: one.patient, at_most=90)
        call = worklists.read(worklists.calls((), today=TODAY), lambda line: line.patient, at_most=90)
        names = [group.patient.location.name for groups in (yes, handle, call) for group in groups.groups]
    assert len(names) == 3 * number
