"""The refill question: when it is asked, what it bundles, how it ends, and what a link records.

Rules: 42 CFR 410.38(d)(4) as contractors document it (the patient's own yes to each refill; no reply and no
standing consent is one), and the project's own steps in `rules/questions.py`.
"""

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from threading import Barrier
from typing import Any
from uuid import uuid4

import pytest
from django.db import IntegrityError, connection, transaction

from resupply.models import (
    Message,
    MessageReason,
    MessageState,
    QuestionLink,
    QuestionPart,
    RefillAnswer,
    RefillQuestion,
    StandingYes,
)
from resupply.queries import questions as question_queries
from resupply.queries import worklists
from resupply.rules.sending import Letter
from resupply.services import answers, outbox, questions, reminders
from resupply.services.answer_items import NewItem
from tests.builders import make_answer, make_user
from tests.services.asking import LinkCarrier, asked, say, send, sweep
from tests.services.sending import NOW, TODAY, make_due_patient, make_plan_line

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)


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


# --- laws ---------------------------------------------------------------------------------------------------


def test_the_database_holds_one_open_question_a_patient() -> None:
    question, _ = asked()
    with pytest.raises(IntegrityError, match="one_open_question_per_patient"), transaction.atomic():
        RefillQuestion.objects.create(patient=question.patient, asked_at=NOW, expires_at=NOW + DAY)


@pytest.mark.long
def test_seven_weeks_of_sweeps_never_write_twice_a_day_nor_hold_two_questions() -> None:
    patient = make_due_patient(line={"ends": 25})
    for kind, ends in (("tubing", 40), ("mask", 12), ("filter_disposable", 3), ("chamber", 48)):
        make_plan_line(patient, kind=kind, ends=ends)
    for days in range(50):
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
