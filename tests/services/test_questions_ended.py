"""How refill questions end: by an answer, a stop, a date, what was given meanwhile, or a person.

Rules: as in `test_questions.py`.
"""

from collections.abc import Callable
from datetime import timedelta
from uuid import uuid4

import pytest

from resupply.models import (
    Consent,
    MessageReason,
    Patient,
    PlanLine,
    RefillAnswer,
    RefillQuestion,
    StandingYes,
)
from resupply.queries import questions as question_queries
from resupply.queries import worklists
from resupply.queries.answers import open_items
from resupply.services import answers, contacts, questions, reminders
from resupply.services.errors import Refused
from tests.builders import make_answer, make_dispense, make_user
from tests.services.asking import asked, say, send, sweep
from tests.services.sending import NOW, TODAY, make_due_patient, make_plan_line

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)


def test_no_reply_is_not_affirmative() -> None:
    """Check value of the refill rules: no reply to a message is no yes."""
    patient = make_due_patient()
    question, _ = asked(patient)
    assert sweep(question.expires_at) >= 0
    question.refresh_from_db()
    assert question.state == "expired"
    assert not StandingYes.objects.exists()
    assert open_items(patient.pk, now=question.expires_at) == {}


def test_stop_is_not_affirmative_and_an_opt_out_at_once() -> None:
    """Check value: "STOP" is no yes, and the opt-out holds from that moment."""
    patient = make_due_patient()
    make_plan_line(patient, kind="tubing", ends=-40)
    question, _ = asked(patient)
    say(question, "stop", now=NOW + timedelta(minutes=1))
    assert open_items(patient.pk, now=NOW + DAY) == {}
    refused = {row.channel for row in Consent.objects.filter(patient=patient, granted=False)}
    assert refused == {"mail", "text", "phone"}
    assert sum(sweep(NOW + days * DAY) for days in range(1, 60, 3)) == 0
    assert not worklists.calls((), today=TODAY + 20 * DAY).exists()


def test_a_stop_pressed_by_mistake_is_taken_back() -> None:
    patient = make_due_patient()
    question, _ = asked(patient)
    stop = say(question, "stop")
    questions.take_back_stop(question, now=NOW + timedelta(minutes=2))
    stop.refresh_from_db()
    assert stop.is_voided
    assert not Consent.objects.filter(patient=patient, granted=False, voided_at=None).exists()
    question.refresh_from_db()
    assert (question.state, question.answer, question.closed_at) == ("open", None, None)
    with pytest.raises(Refused, match="no “stop asking”"):
        questions.take_back_stop(question, now=NOW)


def test_with_the_stop_taken_back_what_was_said_before_counts_again() -> None:
    question, _ = asked()
    first = say(question)
    say(question, "stop", now=NOW + timedelta(minutes=1))
    questions.take_back_stop(question, now=NOW + timedelta(minutes=2))
    question.refresh_from_db()
    assert (question.state, question.answer) == ("answered", first)
    assert set(open_items(question.patient_id, now=NOW + DAY)) == {"cushion"}


def test_a_yes_by_link_is_the_record_the_desk_ships_from() -> None:
    patient = make_due_patient()
    question, _ = asked(patient)
    recorded = say(question, now=NOW + timedelta(hours=1))
    assert (recorded.channel, recorded.answered_by, recorded.recorded_by) == ("page", patient.name, None)
    assert (recorded.contacted_on, recorded.answered_at) == (TODAY, NOW + timedelta(hours=1))
    assert (recorded.is_late, recorded.needs_person, recorded.handover) == (False, False, "ship")
    assert recorded.items.get().need == "worn"
    question.refresh_from_db()
    assert (question.state, question.answer) == ("answered", recorded)
    assert set(open_items(patient.pk, now=NOW + DAY)) == {"cushion"}


def test_sent_twice_counts_once_and_a_later_answer_replaces() -> None:
    patient = make_due_patient()
    question, _ = asked(patient)
    key = uuid4()
    first = say(question, form_key=key)
    assert say(question, form_key=key) == first
    later = say(question, "not_now", now=NOW + timedelta(minutes=1), form_key=uuid4())
    assert RefillAnswer.objects.count() == 2
    assert open_items(patient.pk, now=NOW + DAY) == {}
    question.refresh_from_db()
    assert question.answer == later
    changed = say(question, "not_now", note="in May", now=NOW + timedelta(minutes=2), form_key=key)
    question.refresh_from_db()
    assert (question.answer, RefillAnswer.objects.count()) == (changed, 3), (
        "gone back, changed and sent again"
    )


def test_an_answer_after_expiry_is_kept_marked_late_and_shown_to_a_person() -> None:
    patient = make_due_patient()
    question, _ = asked(patient)
    late = question.expires_at + DAY
    sweep(late)
    recorded = say(question, now=late)
    assert recorded.is_late
    assert recorded.needs_person
    assert list(worklists.to_handle((), today=late.date())) == [recorded]
    sweep(late + timedelta(hours=1))
    assert not RefillQuestion.objects.filter(patient=patient, state="open").exists()


@pytest.mark.parametrize("acts", ["handled", "dispensed", "said again", "voided"])
def test_once_the_desk_acted_the_link_changes_nothing(acts: str) -> None:
    patient = make_due_patient()
    question, _ = asked(patient)
    recorded = say(question)
    if acts == "handled":
        answers.mark_handled(recorded, note="called", by=None, now=NOW)
    elif acts == "dispensed":
        make_dispense(patient, on=TODAY)
    elif acts == "said again":
        make_answer(patient, answered_at=NOW + timedelta(minutes=1), contacted_on=TODAY)
    else:
        answers.void_answer(recorded, reason="another person", by=None, now=NOW)
    with pytest.raises(Refused) as refused:
        say(question, "not_now", now=NOW + timedelta(minutes=5))
    assert refused.value.code == "acted"


def test_what_was_given_meanwhile_cannot_be_answered() -> None:
    """A yes to it would stand for the next refill: there is no standing consent."""
    patient = make_due_patient()
    question, _ = asked(patient)
    make_dispense(patient, on=TODAY)
    with pytest.raises(Refused) as refused:
        say(question, now=NOW + DAY)
    assert refused.value.code == "nothing_left"
    assert not RefillAnswer.objects.exists()


def test_only_what_was_asked_can_be_answered() -> None:
    patient = make_due_patient()
    make_plan_line(patient, kind="mask", ends=60)
    question, _ = asked(patient)
    with pytest.raises(Refused) as refused:
        say(question, "yes", "cushion", "mask")
    assert refused.value.code == "not_asked"


def answered_by_telephone(patient: Patient) -> None:
    make_answer(
        patient, contacted_on=TODAY, answered_at=NOW, items=[{"wanted": False, "need": ""}], wish="not_now"
    )


def given(patient: Patient) -> None:
    make_dispense(patient, on=TODAY)


def no_longer_due(patient: Patient) -> None:
    PlanLine.objects.filter(patient=patient).update(
        supply_ends_on=TODAY + 90 * DAY, refill_on=TODAY + 90 * DAY, ask_from=TODAY + 60 * DAY
    )


def therapy_ends(patient: Patient) -> None:
    PlanLine.objects.filter(patient=patient).update(active=False)


@pytest.mark.parametrize(
    ("happens", "state"),
    [
        (answered_by_telephone, "answered"),
        (given, "withdrawn"),
        (no_longer_due, "withdrawn"),
        (therapy_ends, "withdrawn"),
    ],
)
def test_nothing_left_to_answer_closes_the_question(happens: Callable[[Patient], None], state: str) -> None:
    patient = make_due_patient()
    question, token = asked(patient)
    happens(patient)
    assert questions.tidy(now=NOW + DAY) == 1
    assert questions.tidy(now=NOW + DAY) == 0
    question.refresh_from_db()
    assert question.state == state
    if state == "withdrawn":
        assert question_queries.behind(token) is None


def test_one_part_given_leaves_the_others_in_the_question() -> None:
    patient = make_due_patient()
    make_plan_line(patient, kind="tubing", part_code="A7037")
    question, _ = asked(patient)
    make_dispense(patient, on=TODAY)
    assert questions.tidy(now=NOW + DAY) == 0
    left = question_queries.asked(question, day=TODAY + DAY, now=NOW + DAY).parts
    assert [part.kind for part in left] == ["tubing"]


# --- staff --------------------------------------------------------------------------------------------------


def test_withdrawn_by_staff_with_a_reason_ends_its_links_and_stops_its_mail() -> None:
    patient = make_due_patient(line={"ends": 20})
    sweep()
    question = RefillQuestion.objects.get()
    staff = make_user()
    with pytest.raises(Refused, match="Say why"):
        questions.withdraw(question, reason=" ", by=staff, now=NOW)
    questions.withdraw(question, reason="is away until May", by=staff, now=NOW)
    question.refresh_from_db()
    assert (question.state, question.closed_by, question.close_reason) == (
        "withdrawn", staff, "is away until May",
    )  # fmt: skip
    assert send().letters == []
    assert sum(sweep(NOW + days * DAY) for days in range(1, 20)) == 0
    assert sweep(NOW + 20 * DAY) == 1  # the next step of the ladder
    with pytest.raises(Refused):
        questions.withdraw(question, reason="again", by=staff, now=NOW)
    assert patient.refill_questions.count() == 2


def test_asked_again_by_staff() -> None:
    patient = make_due_patient()
    question, _ = asked(patient)
    with pytest.raises(Refused) as refused:
        reminders.ask_again(question, by=None, now=NOW + timedelta(hours=1))
    assert refused.value.code == "written_today"
    for days in (1, 2):
        message = reminders.ask_again(question, by=None, now=NOW + days * DAY)
        assert message.question == question
        assert len(send(NOW + days * DAY).letters) == 1
    assert MessageReason.objects.filter(step="ask_again", stands=True).count() == 1
    late = question.expires_at + timedelta(hours=1)
    questions.tidy(now=late)
    anew = reminders.ask_again(question, by=None, now=late)
    assert anew.question != question


def test_asking_again_needs_somebody_to_ask() -> None:
    patient = make_due_patient()
    question, _ = asked(patient)
    contacts.refuse_contact(patient, ["mail"], on=TODAY, how="said so", by=None, now=NOW)
    with pytest.raises(Refused) as refused:
        reminders.ask_again(question, by=None, now=NOW + DAY)
    assert refused.value.code == "no_mail"
