"""The refill question: when it is asked, what it bundles, how it ends, and what a link records.

Rules: 42 CFR 410.38(d)(4) as contractors document it (the patient's own yes to each refill; no reply and no
standing consent is one), and the project's own steps in `rules/questions.py`.
"""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta
from threading import Barrier
from typing import Any
from uuid import uuid4

import pytest
from django.db import IntegrityError, connection, transaction

from resupply.models import (
    Consent,
    Message,
    MessageReason,
    MessageState,
    Patient,
    PlanLine,
    QuestionLink,
    QuestionPart,
    RefillAnswer,
    RefillQuestion,
    StandingYes,
)
from resupply.queries import questions as question_queries
from resupply.queries import worklists
from resupply.queries.answers import open_items
from resupply.rules.sending import Letter, Note
from resupply.services import answers, contacts, outbox, questions, reminders
from resupply.services.answers import NewItem
from resupply.services.errors import Refused
from tests.builders import make_answer, make_dispense, make_user
from tests.services.sending import NOW, TODAY, KeepingCarrier, make_due_patient, make_plan_line

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)


class LinkCarrier(KeepingCarrier):
    """Keeps the tokens of the notes it put into words besides; its letters show the link."""

    def __init__(self, *args: Any, **over: Any) -> None:
        super().__init__(*args, **over)
        self.tokens: list[str] = []

    def compose(self, note: Note) -> Letter:
        self.tokens.append(note.token)
        return Letter(note.key, note.address, "en", note.step, f"https://x/ask/{note.token}/", "<p></p>")


def sweep(now: datetime = NOW) -> int:
    """What the scheduler rings, without the queue."""
    questions.tidy(now=now)
    return reminders.enqueue_due(now=now, by_link=True)


def send(now: datetime = NOW) -> LinkCarrier:
    carrier = LinkCarrier()
    outbox.deliver({"mail": carrier}, now=now)
    return carrier


def asked(patient: Patient | None = None, now: datetime = NOW) -> tuple[RefillQuestion, str]:
    """A question that went out, and its token."""
    patient = patient or make_due_patient()
    assert sweep(now) == 1
    (token,) = send(now).tokens
    return RefillQuestion.objects.get(patient=patient, state="open"), token


def say(question: RefillQuestion, wish: str = "yes", *kinds: str, now: datetime = NOW, **over: Any) -> Any:
    items = [NewItem(kind=kind, wanted=wish == "yes", need="worn") for kind in kinds or ("cushion",)]
    values: dict[str, Any] = {"still_using": True, "handover": "ship", "now": now}
    return questions.answer(question, wish=wish, items=items, **values | over)


# --- asked --------------------------------------------------------------------------------------------------


def test_nothing_due_asks_nothing() -> None:
    make_due_patient(line={"ends": 31})
    assert sweep() == 0
    assert not RefillQuestion.objects.exists()


def test_the_day_to_ask_asks_once_and_not_before() -> None:
    """Never before the version's earliest contact: 30 days before the expected end of supply (42 CFR
    410.38(d)(4); facts as `ask_from` of the plan)."""
    patient = make_due_patient(line={"ends": 31})
    assert sweep() == 0
    assert sweep(NOW + DAY) == 1
    question = RefillQuestion.objects.get()
    assert (question.patient, question.state) == (patient, "open")
    assert question.asked_at == NOW + DAY
    assert question.expires_at == NOW + 31 * DAY
    assert [(part.kind, part.supply_ends_on) for part in question.parts.all()] == [
        ("cushion", TODAY + 31 * DAY)
    ]
    message = Message.objects.get()
    assert (message.purpose, message.question) == ("refill_question", question)


def test_run_twice_asks_once() -> None:
    make_due_patient()
    assert [sweep(), sweep(), sweep(NOW + timedelta(hours=2))] == [1, 0, 0]
    assert RefillQuestion.objects.count() == QuestionPart.objects.count() == 1


def test_lines_that_one_delivery_serves_are_one_question() -> None:
    """Windows: cushion [-10, 0] and by then; tubing from +6; mask from +20, which waits for its own."""
    patient = make_due_patient()
    make_plan_line(patient, kind="tubing", ends=16)
    make_plan_line(patient, kind="mask", ends=30)
    sweep()
    assert sorted(QuestionPart.objects.values_list("kind", flat=True)) == ["cushion", "tubing"]
    assert sorted(MessageReason.objects.values_list("kind", flat=True)) == ["cushion", "tubing"]
    send()
    assert sweep(NOW + DAY) == 0  # not while the question is open


@pytest.mark.parametrize("change", [{"consent": False}, {"email": ""}, {"status": "ended"}])
def test_who_may_not_be_written_to_is_not_asked(change: dict[str, Any]) -> None:
    make_due_patient(**change)
    assert sweep() == 0
    assert not RefillQuestion.objects.exists()


def test_a_yes_or_a_no_holds_back_every_refill_mail() -> None:
    """By link or not: who has answered about a part is not reminded of it, nor of others within a week."""
    yes = make_due_patient(line={"ends": -8})
    no = make_due_patient(line={"ends": 3})
    for patient, wish in ((yes, "yes"), (no, "not_now")):
        answers.record_answer(
            patient=patient, wish=wish, channel="phone", contacted_on=TODAY, by=None, now=NOW,
            items=[NewItem(kind="cushion", wanted=wish == "yes", need="worn")],
        )  # fmt: skip
        make_plan_line(patient, kind="tubing")
    assert sweep() == reminders.enqueue_due(now=NOW) == 0
    assert reminders.enqueue_due(now=NOW + 6 * DAY) == 0
    assert reminders.enqueue_due(now=NOW + 7 * DAY) == 2
    assert set(MessageReason.objects.values_list("kind", flat=True)) == {"tubing"}
    RefillAnswer.objects.filter(patient=no).update(contacted_on=TODAY - 30 * DAY)  # a no counts 30 days
    assert reminders.enqueue_due(now=NOW + 8 * DAY) == 1


def test_an_answer_between_queueing_and_sending_cancels_the_mail() -> None:
    patient = make_due_patient()
    sweep()
    make_answer(
        patient, contacted_on=TODAY, answered_at=NOW, items=[{"wanted": False, "need": ""}], wish="not_now"
    )
    assert send().letters == []
    assert Message.objects.get().state == "cancelled"


# --- sent ---------------------------------------------------------------------------------------------------


def test_the_token_has_128_bits_and_only_its_hash_is_stored() -> None:
    _, token = asked()
    assert len(token) == 22  # 16 bytes in URL-safe base64 (RFC 4648)
    link = QuestionLink.objects.get()
    assert link.token_hash == question_queries.token_hash(token)
    message = Message.objects.get()
    assert message.body_text == "https://x/ask/[secret]/"
    with connection.cursor() as cursor:
        for table in connection.introspection.table_names(cursor):
            cursor.execute(f'SELECT count(*) FROM "{table}" AS t WHERE t::text LIKE %s', [f"%{token}%"])  # noqa: S608 - table names
            assert cursor.fetchone() == (0,), table


def test_killed_between_send_and_mark_both_copies_lead_to_the_question() -> None:
    make_due_patient()
    sweep()

    class Killed(BaseException):
        pass

    def die(letter: Letter) -> None:
        raise Killed

    first = LinkCarrier(on_send=die)
    with pytest.raises(Killed):
        outbox.deliver({"mail": first}, now=NOW)
    second = send(NOW + timedelta(minutes=5))
    assert len(second.letters) == 1
    assert first.tokens != second.tokens
    question = RefillQuestion.objects.get()
    assert [question_queries.behind(token) for token in first.tokens + second.tokens] == [question] * 2
    assert send(NOW + timedelta(minutes=20)).letters == []


def test_asked_once_more_then_a_call_then_nothing() -> None:
    """The clinic's steps: a second message after five days, a call a week after that."""
    patient = make_due_patient(line={"ends": 30})
    asked(patient)
    sent = {0: "ask"}
    calls = []
    for days in range(1, 30):
        now = NOW + days * DAY
        if sweep(now):
            sent[days] = Message.objects.latest("id").reasons.get().step
            send(now)
        if worklists.calls((), today=TODAY + days * DAY).exists():
            calls.append(days)
    assert sent == {0: "ask", 5: "ask_again"}
    assert calls[0] == 12
    assert Message.objects.filter(state="sent").count() == 2
    assert RefillQuestion.objects.get().messages.count() == 2


def test_a_new_question_comes_with_the_next_step_once_the_first_expired() -> None:
    patient = make_due_patient(line={"ends": 30})
    first, _ = asked(patient)
    for days in range(1, 31):
        sweep(NOW + days * DAY)
        send(NOW + days * DAY)
    first.refresh_from_db()
    assert (first.state, first.answer, first.close_reason) == ("expired", None, "No reply.")
    assert RefillQuestion.objects.get(state="open").messages.get().reasons.get().step == "due"


# --- ended --------------------------------------------------------------------------------------------------


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
    assert sum(sweep(NOW + days * DAY) for days in range(1, 60)) == 0
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


# --- laws ---------------------------------------------------------------------------------------------------


def test_the_database_holds_one_open_question_a_patient() -> None:
    question, _ = asked()
    with pytest.raises(IntegrityError, match="one_open_question_per_patient"), transaction.atomic():
        RefillQuestion.objects.create(patient=question.patient, asked_at=NOW, expires_at=NOW + DAY)


@pytest.mark.long
def test_three_months_of_sweeps_never_write_twice_a_day_nor_hold_two_questions() -> None:
    patient = make_due_patient(line={"ends": 25})
    for kind, ends in (("tubing", 40), ("mask", 12), ("filter_disposable", 3), ("chamber", 70)):
        make_plan_line(patient, kind=kind, ends=ends)
    for days in range(100):
        for hours in (0, 5) if days % 5 == 0 else (0,):
            now = NOW + timedelta(days=days, hours=hours)
            sweep(now)
            send(now)
            assert RefillQuestion.objects.filter(patient=patient, state="open").count() <= 1
    days_written = list(Message.objects.filter(state="sent").values_list("day", flat=True))
    assert len(days_written) == len(set(days_written))
    for reason in MessageReason.objects.select_related("message"):  # 42 CFR 410.38(d)(4): no earlier contact
        assert reason.message.day >= reason.supply_ends_on - timedelta(days=30)
    assert not RefillAnswer.objects.exists()


@pytest.mark.django_db(transaction=True)
def test_two_workers_at_once_ask_once() -> None:
    make_due_patient()
    make_due_patient(line={"ends": -30})
    start = Barrier(2)

    def work() -> int:
        start.wait()
        try:
            return sweep()
        finally:
            connection.close()

    with ThreadPoolExecutor(2) as pool:
        added = [future.result() for future in [pool.submit(work), pool.submit(work)]]
    assert sum(added) == RefillQuestion.objects.count() == Message.objects.count() == 2
    assert QuestionPart.objects.count() == 2


@pytest.mark.django_db(transaction=True)
def test_two_answers_at_once_have_an_order() -> None:
    patient = make_due_patient()
    question, _ = asked(patient)
    start = Barrier(2)

    def tell(wish: str) -> None:
        start.wait()
        try:
            say(RefillQuestion.objects.get(pk=question.pk), wish, form_key=uuid4())
        finally:
            connection.close()

    with ThreadPoolExecutor(2) as pool:
        for future in [pool.submit(tell, "yes"), pool.submit(tell, "not_now")]:
            future.result()
    question.refresh_from_db()
    newest = RefillAnswer.objects.order_by("-answered_at", "-pk").first()
    assert question.answer == newest
    assert StandingYes.objects.count() == (1 if newest and newest.wish == "yes" else 0)


def test_a_waiting_message_is_dropped_with_the_answer() -> None:
    patient = make_due_patient()
    question, _ = asked(patient)
    reminders.ask_again(question, by=None, now=NOW + DAY)
    say(question, now=NOW + DAY)
    assert Message.objects.latest("id").state == MessageState.CANCELLED


def test_withdrawn_while_a_worker_holds_the_message_it_is_not_asked_anew_tomorrow() -> None:
    make_due_patient(line={"ends": 20})
    sweep()
    (held,) = outbox.claim(now=NOW)
    questions.withdraw(RefillQuestion.objects.get(), reason="is away", by=make_user(), now=NOW)
    assert send(NOW + timedelta(minutes=5)).letters == []  # the lease is over, and another worker looks
    assert Message.objects.get(pk=held.message_id).state == MessageState.CANCELLED
    assert MessageReason.objects.get().stands
    assert sweep(NOW + DAY) == 0
