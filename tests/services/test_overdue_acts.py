"""Acts on overdue lines: seen before, done to whom nothing stands against, undone as a whole."""

from datetime import timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from resupply.models import (
    Act,
    BulkAct,
    LineAct,
    Message,
    MessageState,
    Patient,
    PlanLine,
    QuestionState,
    RefillQuestion,
    Role,
)
from resupply.queries.overdue import OverdueFilter, Snoozed, overdue_lines
from resupply.queries.overdue_ages import overdue_by_age
from resupply.queries.overdue_known import looked_up
from resupply.services import overdue_acts, plans
from resupply.services.errors import Refused
from resupply.services.overdue_acts import Wish
from tests.builders import (
    NOW,
    TODAY,
    make_answer,
    make_consent,
    make_contact,
    make_dispense,
    make_patient,
    make_staff,
)
from tests.cast import Cast

EVERYTHING = OverdueFilter()
SNOOZE = Wish(act=Act.SNOOZE, until=TODAY + timedelta(days=14), note="moving house")


def late(patient: Patient, days: int = 9, **line: object) -> PlanLine:
    """The patient's cushion, out of supply for so many days."""
    ended = TODAY - timedelta(days=days)
    given = (ended.replace(day=1) - timedelta(days=1)).replace(day=ended.day)
    make_dispense(patient, on=given, lines=[line])
    plans.refresh_plans([patient.pk], now=NOW)
    return PlanLine.objects.get(patient=patient, kind="cushion")


def reachable(**over: Any) -> PlanLine:
    """A line whose patient may be asked by e-mail."""
    patient = make_patient(**{"email": "p@patients.example", "phone": "+1 303 555 0101"} | over)
    make_consent(patient)
    return late(patient)


def on_list(**over: Any) -> set[int]:
    return {line.pk for line in overdue_lines(OverdueFilter(**over), today=TODAY)}


def do(lines: list[PlanLine], wish: Wish, cast: Cast) -> BulkAct:
    return overdue_acts.act(lines, wish, by=cast.manager.user, today=TODAY, now=NOW)


def test_a_snoozed_line_leaves_the_list_until_its_day(cast: Cast) -> None:
    a, b = late(cast.odalys), late(cast.tevin)
    bulk = do([a], SNOOZE, cast)
    assert (bulk.lines_done, bulk.left_out) == (1, {})
    assert on_list() == {b.pk}
    assert on_list(snoozed=Snoozed.ONLY) == {a.pk}
    assert on_list(snoozed=Snoozed.TOO) == {a.pk, b.pk}
    assert sum(overdue_by_age(EVERYTHING, today=TODAY)) == 1
    until = TODAY + timedelta(days=14)
    assert a in overdue_lines(EVERYTHING, today=until)
    looked = looked_up([a], today=TODAY)[a.pk]
    assert (looked.snoozed_until, looked.snooze_reason) == (until, "moving house")


def test_a_snooze_is_over_with_the_refill_it_was_about(cast: Cast) -> None:
    line = late(cast.odalys)
    do([line], SNOOZE, cast)
    PlanLine.objects.filter(pk=line.pk).update(supply_ends_on=line.supply_ends_on - timedelta(days=20))
    assert line.pk in on_list()


@pytest.mark.parametrize("days", [0, -1, 184])
def test_a_snooze_needs_a_day_and_a_reason(cast: Cast, days: int) -> None:
    line = late(cast.odalys)
    with pytest.raises(Refused) as refusal:
        do([line], Wish(act=Act.SNOOZE, until=TODAY + timedelta(days=days), note="x"), cast)
    assert refusal.value.field == "until"
    with pytest.raises(Refused, match="Say why"):
        do([line], Wish(act=Act.SNOOZE, until=TODAY + timedelta(days=1), note=" "), cast)
    assert not LineAct.objects.exists()


def test_assigned_lines_are_found_and_the_newest_counts(cast: Cast) -> None:
    a, b = late(cast.odalys), late(cast.tevin)
    therapist, desk = cast.therapist, cast.desk
    do([a, b], Wish(act=Act.ASSIGN, assigned_to=therapist), cast)
    assert on_list(assigned_id=therapist.user_id) == {a.pk, b.pk}
    do([a], Wish(act=Act.ASSIGN, assigned_to=desk), cast)
    assert on_list(assigned_id=therapist.user_id) == {b.pk}
    assert on_list(assigned_id=desk.user_id) == {a.pk}
    do([b], Wish(act=Act.ASSIGN), cast)
    assert on_list(assigned_id=0) == {b.pk}
    assert looked_up([a], today=TODAY)[a.pk].assigned_to == desk.user.get_username()


def test_who_does_not_work_there_is_assigned_nothing(cast: Cast) -> None:
    north, south = late(cast.odalys), late(cast.tevin)
    only_north = make_staff(Role.THERAPIST, locations=[cast.north])
    bulk = do([north, south], Wish(act=Act.ASSIGN, assigned_to=only_north), cast)
    assert (bulk.lines_done, bulk.left_out) == (1, {"elsewhere": 1})
    assert on_list(assigned_id=only_north.user_id) == {north.pk}
    with pytest.raises(Refused, match="Nothing can be done"):
        do([south], Wish(act=Act.ASSIGN, assigned_to=only_north), cast)


def test_asking_leaves_out_who_may_not_be_asked_and_says_why(cast: Cast) -> None:
    good, no_yes = reachable(), late(make_patient(email="q@patients.example"))
    no_mail, said = late(make_patient()), reachable()
    make_answer(said.patient, items=[{"wanted": False}], wish="not_now")
    seen = overdue_acts.preview([good, no_yes, no_mail, said], Wish(act=Act.ASK), today=TODAY)
    assert [line.pk for line in seen.lines] == [good.pk]
    assert seen.reasons == {"no_yes": 1, "no_address": 1, "not_now": 1}
    assert not Message.objects.exists()
    bulk = do([good, no_yes, no_mail, said], Wish(act=Act.ASK), cast)
    assert (bulk.lines_done, bulk.left_out) == (1, seen.reasons)
    message = Message.objects.get()
    assert message.patient_id == good.patient_id
    assert message.question is not None
    assert [part.kind for part in message.question.parts.all()] == ["cushion"]


def test_asked_today_nobody_is_asked_again(cast: Cast) -> None:
    line = reachable()
    do([line], Wish(act=Act.ASK), cast)
    with pytest.raises(Refused, match="Nothing can be done"):
        do([line], Wish(act=Act.ASK), cast)
    assert Message.objects.count() == 1
    assert BulkAct.objects.count() == 1


def test_an_open_question_is_asked_again_not_beside(cast: Cast) -> None:
    line = reachable()
    do([line], Wish(act=Act.ASK), cast)
    Message.objects.update(day=TODAY - timedelta(days=6), state=MessageState.SENT)
    do([line], Wish(act=Act.ASK), cast)
    assert RefillQuestion.objects.count() == 1
    assert Message.objects.count() == 2


def test_what_is_supplied_meanwhile_is_left_out(cast: Cast) -> None:
    """The lines were read for the preview; the desk gave one patient the part before the act."""
    supplied, other = late(cast.odalys), late(cast.tevin)
    make_dispense(cast.odalys, on=TODAY)
    plans.refresh_plans([cast.odalys.pk], now=NOW)
    bulk = do([supplied, other], SNOOZE, cast)
    assert (bulk.lines_done, bulk.left_out) == (1, {"not_overdue": 1})
    assert set(LineAct.objects.values_list("patient", flat=True)) == {other.patient_id}


def test_undo_takes_back_what_has_not_gone_out(cast: Cast) -> None:
    a, b = reachable(), reachable()
    bulk = do([a, b], Wish(act=Act.ASK), cast)
    Message.objects.filter(patient=a.patient).update(state=MessageState.SENT)
    undone = overdue_acts.undo(bulk, by=cast.manager.user, now=NOW)
    assert (undone.lines_done, undone.lines_undone) == (2, 1)
    states = dict(Message.objects.values_list("patient", "state"))
    assert states == {a.patient_id: "sent", b.patient_id: "cancelled"}
    questions = dict(RefillQuestion.objects.values_list("patient", "state"))
    assert questions == {a.patient_id: QuestionState.OPEN, b.patient_id: QuestionState.WITHDRAWN}
    with pytest.raises(Refused, match="undone already"):
        overdue_acts.undo(bulk, by=cast.manager.user, now=NOW)


def test_undo_where_everything_has_gone_out_undoes_nothing(cast: Cast) -> None:
    bulk = do([reachable()], Wish(act=Act.ASK), cast)
    Message.objects.update(state=MessageState.SENT)
    with pytest.raises(Refused, match="gone out"):
        overdue_acts.undo(bulk, by=cast.manager.user, now=NOW)
    assert BulkAct.objects.get().undone_at is None


def test_undo_brings_snoozed_lines_back_and_notes_go(cast: Cast) -> None:
    line = late(cast.odalys)
    snooze = do([line], SNOOZE, cast)
    note = do([line], Wish(act=Act.NOTE, note="asks for the small size"), cast)
    assert looked_up([line], today=TODAY)[line.pk].note == "asks for the small size"
    overdue_acts.undo(snooze, by=cast.manager.user, now=NOW)
    overdue_acts.undo(note, by=cast.manager.user, now=NOW)
    assert line.pk in on_list()
    assert looked_up([line], today=TODAY)[line.pk].note == ""
    assert set(LineAct.objects.values_list("void_reason", flat=True)) == {overdue_acts.UNDONE}


def test_more_lines_than_one_act_takes_are_refused(cast: Cast, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(overdue_acts, "MOST_LINES", 1)
    with pytest.raises(Refused, match="at most 1"):
        do([late(cast.odalys), late(cast.tevin)], SNOOZE, cast)


def test_what_a_row_says_costs_the_same_for_one_and_for_ten(cast: Cast) -> None:
    counts = []
    for number in (1, 9):
        for _ in range(number):
            make_contact(reachable().patient)
        lines = list(PlanLine.objects.select_related("patient"))
        with CaptureQueriesContext(connection) as queries:
            assert len(looked_up(lines, today=TODAY)) == len(lines)
        counts.append(len(queries))
    assert counts[0] == counts[1] <= 10
