"""What patients say about their refills: recorded with all that a shipped refill needs, replaced, voided."""

from datetime import date, datetime, timedelta
from typing import Any
from uuid import uuid4

import pytest

from resupply.models import Consent, Dispense, Patient, RefillAnswer, RefillAnswerItem, StandingYes
from resupply.queries.answers import open_items
from resupply.services import answers, contacts, corrections, plans
from resupply.services.answer_items import NewItem
from resupply.services.answers import record_answer
from resupply.services.errors import Refused
from tests.builders import NOW, TODAY, make_consent, make_dispense
from tests.cast import Cast

YES: dict[str, Any] = {"wish": "yes", "channel": "phone", "contacted_on": TODAY, "by": None}
CUSHION = NewItem(kind="cushion", wanted=True, need="worn")
FILTER = NewItem(kind="filter_disposable", wanted=True, need="grey with dust")


@pytest.fixture
def odalys(cast: Cast) -> Patient:
    """Odalys has had a cushion and a filter since January."""
    make_dispense(cast.odalys, on=date(2026, 1, 5), lines=[{}, {"part_code": "A7038"}])
    plans.refresh_plans([cast.odalys.pk], now=NOW)
    return cast.odalys


def say(patient: Patient, *items: NewItem, now: datetime = NOW, **over: Any) -> RefillAnswer:
    return record_answer(patient=patient, items=items, now=now, **YES | over)


def wanted(patient: Patient, *, now: datetime = NOW) -> list[str]:
    """Kinds that a yes stands for; the stored rows say the same but for age and what lies ahead of `now`."""
    found = sorted(open_items(patient.pk, now=now))
    if now == NOW:
        stored = StandingYes.objects.filter(patient=patient).values_list("kind", flat=True)
        assert sorted(stored) == found
    return found


def test_a_yes_keeps_every_element_of_a_refill_request(odalys: Patient) -> None:
    """42 CFR 410.38(d)(4) and the contractors' list (facts: patient, items, date, own yes, need)."""
    answer = say(
        odalys,
        NewItem(kind="cushion", wanted=True, need=" leaks ", condition="leaks", quantity=2, left=1),
        NewItem(kind="filter_disposable", wanted=False, left=3),
        still_using=True,
        handover="ship",
        answered_by="Rosa Brandt",
        relation="daughter",
        contacted_on=date(2026, 3, 16),
    )
    assert (answer.answered_by, answer.relation, answer.contacted_on) == (
        "Rosa Brandt",
        "daughter",
        date(2026, 3, 16),
    )
    assert answer.recorded_at == NOW
    assert answer.answered_at < NOW
    assert list(answer.items.values_list("kind", "part_code", "wanted", "need", "quantity", "left")) == [
        ("cushion", "A7032", True, "leaks", 2, 1),
        ("filter_disposable", "A7038", False, "", None, 3),
    ]
    assert RefillAnswerItem.objects.get(kind="cushion").description
    assert wanted(odalys) == ["cushion"]


def test_the_patient_answers_unless_somebody_else_is_named(odalys: Patient) -> None:
    answer = say(odalys, CUSHION)
    assert (answer.answered_by, answer.relation) == ("Odalys Brandt", "")


REFUSALS: list[tuple[dict[str, Any], list[NewItem], str, str | None, int | None, str]] = [
    ({"wish": "maybe"}, [CUSHION], "wish", "wish", None, "no such answer"),
    ({"channel": "pigeon"}, [CUSHION], "channel", "channel", None, "no such channel"),
    ({"handover": "drone"}, [CUSHION], "handover", "handover", None, "no such handover"),
    ({"contacted_on": date(2026, 3, 19)}, [CUSHION], "future", "contacted_on", None, "tomorrow"),
    ({"contacted_on": date(1961, 2, 3)}, [CUSHION], "before_birth", "contacted_on", None, "before birth"),
    ({"contacted_on": date(2025, 9, 19)}, [CUSHION], "long_ago", "contacted_on", None, "180 days ago"),
    ({"answered_by": "Rosa"}, [CUSHION], "relation_missing", "relation", None, "who is Rosa?"),
    ({"relation": "wife"}, [CUSHION], "answered_by_missing", "answered_by", None, "whose name?"),
    ({"note": "x" * 501}, [CUSHION], "too_long", "note", None, "a novel"),
    ({"still_using": False}, [CUSHION], "not_using", "still_using", None, "parts for unused equipment"),
    ({}, [], "no_items", "wish", None, "a yes to nothing"),
    ({}, [NewItem(kind="cushion", wanted=False)], "no_items", "wish", None, "a yes with every part refused"),
    ({"wish": "not_now"}, [CUSHION], "not_a_yes", "wanted", 0, "not now, but parts"),
    ({"wish": "stop"}, [CUSHION], "not_a_yes", "wanted", 0, "stop, but parts"),
    ({}, [CUSHION, CUSHION], "twice", "wanted", 1, "one part twice"),
    ({}, [NewItem(kind="chamber", wanted=True, need="worn")], "kind", "wanted", 0, "a part never held"),
    ({}, [FILTER, NewItem(kind="cushion", wanted=True, need=" ")], "need_missing", "need", 1, "why not said"),
    ({}, [NewItem(kind="cushion", wanted=True, need="x" * 301)], "too_long", "need", 0, "a long why"),
    ({}, [NewItem(kind="cushion", wanted=True, need="x", quantity=0)], "quantity", "quantity", 0, "none"),
    ({}, [NewItem(kind="cushion", wanted=True, need="x", left=-1)], "left", "left", 0, "fewer than none"),
    (
        {},
        [NewItem(kind="cushion", wanted=True, need="x", condition="?")],
        "condition",
        "condition",
        0,
        "no such condition",
    ),
]


@pytest.mark.parametrize(
    ("over", "items", "code", "field", "row", "what"), REFUSALS, ids=[case[5] for case in REFUSALS]
)
def test_a_refused_answer_says_what_is_missing_and_leaves_nothing(
    odalys: Patient,
    over: dict[str, Any],
    items: list[NewItem],
    code: str,
    field: str | None,
    row: int | None,
    what: str,
) -> None:
    with pytest.raises(Refused) as refusal:
        say(odalys, *items, **over)
    assert (refusal.value.code, refusal.value.field, refusal.value.row) == (code, field, row)
    assert not RefillAnswer.objects.exists()


@pytest.mark.parametrize("status", ["ended", "died", "moved", "withdrawn"])
def test_who_is_not_on_therapy_can_say_no_and_nothing_else(odalys: Patient, status: str) -> None:
    Patient.objects.update(status=status)
    with pytest.raises(Refused, match="not on therapy"):
        say(odalys, CUSHION)
    assert say(odalys, wish="stop").wish == "stop"


def test_a_button_pressed_twice_records_once(odalys: Patient, cast: Cast) -> None:
    key = uuid4()
    assert say(odalys, CUSHION, form_key=key) == say(odalys, CUSHION, form_key=key)
    for other in (
        {"wish": "not_now"},
        {"note": "she calls back"},
        {"contacted_on": TODAY - timedelta(days=1)},
    ):
        with pytest.raises(Refused, match="with other entries"):
            say(odalys, *(() if "wish" in other else (CUSHION,)), form_key=key, **other)
    assert RefillAnswerItem.objects.count() == 1
    with pytest.raises(Refused, match="another patient"):
        say(cast.tevin, CUSHION, form_key=key)


# --- which answer counts ---


def test_a_later_answer_about_a_part_replaces_the_earlier_one_and_no_other(odalys: Patient) -> None:
    say(odalys, CUSHION, FILTER, contacted_on=TODAY - timedelta(days=2))
    say(odalys, NewItem(kind="cushion", wanted=False), wish="not_now")
    assert wanted(odalys) == ["filter_disposable"]


def test_what_was_said_later_counts_even_where_it_was_typed_first(odalys: Patient) -> None:
    say(odalys, wish="not_now", contacted_on=TODAY - timedelta(days=1))
    say(odalys, CUSHION, contacted_on=TODAY - timedelta(days=3), now=NOW + timedelta(hours=1))
    assert wanted(odalys, now=NOW + timedelta(hours=1)) == []


def test_a_no_without_parts_is_about_all_of_them(odalys: Patient) -> None:
    say(odalys, CUSHION, FILTER, contacted_on=TODAY - timedelta(days=2))
    answer = say(odalys, wish="not_now")
    assert sorted(answer.items.values_list("kind", "wanted")) == [
        ("cushion", False),
        ("filter_disposable", False),
    ]
    assert wanted(odalys) == []


@pytest.mark.parametrize(("days", "counts"), [(179, True), (180, False)])
def test_an_answer_counts_for_180_days(odalys: Patient, days: int, counts: bool) -> None:
    say(odalys, CUSHION)
    assert wanted(odalys, now=NOW + timedelta(days=days)) == (["cushion"] if counts else [])


def test_an_answer_recorded_later_was_none_then(odalys: Patient) -> None:
    say(odalys, CUSHION)
    assert wanted(odalys, now=NOW - timedelta(seconds=1)) == []


# --- used, and freed again ---


def give(patient: Patient, item: RefillAnswerItem | None = None, **over: Any) -> Dispense:
    dispense = make_dispense(patient, **{"on": TODAY, "lines": [{"answer_item": item}]} | over)
    plans.refresh_plans([patient.pk], now=NOW)
    return dispense


@pytest.mark.parametrize("linked", [True, False], ids=["given from it", "given without a link"])
def test_a_dispense_uses_a_yes_and_its_void_frees_it(odalys: Patient, linked: bool) -> None:
    answer = say(odalys, CUSHION, FILTER)
    dispense = give(odalys, answer.items.get(kind="cushion") if linked else None)
    assert wanted(odalys) == ["filter_disposable"]
    corrections.void_dispense(dispense, reason="wrong patient", by=None, now=NOW)
    assert wanted(odalys) == ["cushion", "filter_disposable"]


def test_what_was_given_before_the_patient_was_asked_is_another_refill(odalys: Patient) -> None:
    say(odalys, CUSHION)
    give(odalys, on=TODAY - timedelta(days=1))
    assert wanted(odalys) == ["cushion"]


def test_an_exchange_uses_no_yes(odalys: Patient) -> None:
    first = Dispense.objects.get().lines.get(kind="cushion")
    say(odalys, CUSHION)
    give(odalys, lines=[{"exchange_of": first}])
    assert wanted(odalys) == ["cushion"]


# --- stop asking ---


def granted(patient: Patient) -> dict[str, bool]:
    rows = Consent.objects.filter(patient=patient, voided_at=None).order_by("pk")
    return dict(rows.values_list("channel", "granted"))


def test_stop_asking_refuses_every_channel_at_once_and_waits_for_a_person(odalys: Patient) -> None:
    make_consent(odalys)
    make_consent(odalys, channel="phone", granted=False)
    answer = say(odalys, wish="stop")
    assert granted(odalys) == {"mail": False, "phone": False, "text": False}
    assert Consent.objects.filter(channel="phone").count() == 1  # it was refused before
    assert answer.needs_person
    answers.void_answer(answer, reason="meant another patient", by=None, now=NOW + timedelta(minutes=1))
    assert granted(odalys) == {"mail": True, "phone": False}


PERSON: list[tuple[dict[str, Any], list[NewItem], bool, str]] = [
    ({}, [CUSHION], False, "a plain yes"),
    ({"wish": "not_now"}, [], False, "a plain not now"),
    ({"note": "moves in May"}, [CUSHION], True, "a note"),
    ({"is_late": True}, [CUSHION], True, "late"),
    ({"wish": "not_now", "still_using": False}, [], True, "not using it any more"),
    ({"wish": "stop"}, [], True, "stop asking"),
    ({}, [NewItem(kind="cushion", wanted=True, need="leaks", condition="leaks")], True, "leaks"),
    ({}, [NewItem(kind="cushion", wanted=True, need="broken", condition="broken")], True, "broken"),
    ({}, [NewItem(kind="cushion", wanted=True, need="worn", condition="worn")], False, "worn"),
]


@pytest.mark.parametrize(("over", "items", "expected", "what"), PERSON, ids=[case[3] for case in PERSON])
def test_what_says_more_than_yes_or_no_waits_for_a_person(
    odalys: Patient, over: dict[str, Any], items: list[NewItem], expected: bool, what: str
) -> None:
    assert say(odalys, *items, **over).needs_person is expected


# --- handled, voided ---


def test_handled_once_with_a_note(odalys: Patient, cast: Cast) -> None:
    answer = say(odalys, wish="stop")
    with pytest.raises(Refused) as refusal:
        answers.mark_handled(answer, note=" ", by=cast.desk.user, now=NOW)
    assert refusal.value.code == "note_missing"
    answers.mark_handled(answer, note="called back", by=cast.desk.user, now=NOW)
    answer.refresh_from_db()
    assert (answer.handled_at, answer.handled_by_id, answer.handled_note) == (
        NOW,
        cast.desk.user.pk,
        "called back",
    )
    with pytest.raises(Refused) as refusal:
        answers.mark_handled(answer, note="again", by=cast.desk.user, now=NOW)
    assert refusal.value.code == "already_handled"


def test_a_voided_answer_brings_back_the_one_before(odalys: Patient) -> None:
    say(odalys, CUSHION, contacted_on=TODAY - timedelta(days=1))
    later = say(odalys, wish="not_now")
    answers.void_answer(later, reason="misheard", by=None, now=NOW)
    assert wanted(odalys) == ["cushion"]
    with pytest.raises(Refused) as refusal:
        answers.void_answer(later, reason="again", by=None, now=NOW)
    assert refusal.value.code == "already_void"
    with pytest.raises(Refused) as refusal:
        answers.mark_handled(later, note="seen", by=None, now=NOW)
    assert refusal.value.code == "already_void"


def test_an_answer_parts_were_given_from_stays_until_they_are_taken_back(odalys: Patient) -> None:
    answer = say(odalys, CUSHION)
    dispense = give(odalys, answer.items.get())
    with pytest.raises(Refused) as refusal:
        answers.void_answer(answer, reason="misheard", by=None, now=NOW)
    assert refusal.value.code == "in_use"
    corrections.void_dispense(dispense, reason="wrong patient", by=None, now=NOW)
    assert answers.void_answer(answer, reason="misheard", by=None, now=NOW).is_voided


# --- contacts ---

AGAIN = [
    ("reached", None, date(2026, 3, 25)),
    ("no_answer", None, date(2026, 3, 19)),
    ("left_word", None, date(2026, 3, 21)),
    ("left_word", date(2026, 4, 1), date(2026, 4, 1)),
    ("wrong_number", None, None),
    ("not_wanted", date(2026, 4, 1), None),
]


@pytest.mark.parametrize(("outcome", "asked", "stored"), AGAIN)
def test_a_contact_says_when_to_try_again(
    odalys: Patient, outcome: str, asked: date | None, stored: date | None
) -> None:
    contact = contacts.log_contact(
        patient=odalys, outcome=outcome, on=TODAY, again_on=asked, by=None, now=NOW
    )
    assert contact.again_on == stored


def test_not_wanting_to_be_called_is_a_refusal_until_it_is_taken_back(odalys: Patient) -> None:
    make_consent(odalys, channel="phone")
    contact = contacts.log_contact(patient=odalys, outcome="not_wanted", on=TODAY, by=None, now=NOW)
    assert granted(odalys) == {"phone": False}
    contacts.void_contact(contact, reason="another patient", by=None, now=NOW + timedelta(minutes=1))
    assert granted(odalys) == {"phone": True}


@pytest.mark.parametrize(
    ("over", "code"),
    [
        ({"outcome": "hung up"}, "outcome"),
        ({"channel": "pigeon"}, "channel"),
        ({"on": date(2026, 3, 19)}, "future"),
        ({"on": date(1960, 1, 1)}, "before_birth"),
        ({"again_on": TODAY}, "again_on"),
        ({"again_on": date(2027, 3, 20)}, "again_on"),
        ({"note": "x" * 501}, "too_long"),
    ],
)
def test_a_refused_contact(odalys: Patient, over: dict[str, Any], code: str) -> None:
    values: dict[str, Any] = {"outcome": "no_answer", "on": TODAY}
    with pytest.raises(Refused) as refusal:
        contacts.log_contact(patient=odalys, by=None, now=NOW, **values | over)
    assert refusal.value.code == code
    assert not odalys.contacts.exists()
