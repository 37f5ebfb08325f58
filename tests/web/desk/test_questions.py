"""A refill question in the hands of staff: what was asked and answered, asking again, withdrawing."""

from collections.abc import Iterator
from datetime import timedelta
from uuid import UUID

import pytest
import time_machine
from django.test import Client
from django.urls import reverse

from resupply.models import Message, Patient, RefillQuestion
from tests.builders import NOW, TODAY, make_answer, make_consent, make_question
from tests.cast import Cast
from tests.services.sending import make_plan_line

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)


@pytest.fixture(autouse=True)
def next_day() -> Iterator[None]:
    """The day after the question went out."""
    with time_machine.travel(NOW + DAY, tick=False):
        yield


@pytest.fixture
def desk(cast: Cast) -> Client:
    client = Client()
    client.force_login(cast.desk.user)
    return client


@pytest.fixture
def question(cast: Cast) -> RefillQuestion:
    make_consent(cast.odalys)
    make_plan_line(cast.odalys)
    make_question(cast.odalys)
    return RefillQuestion.objects.get()


def page(client: Client, person: Patient) -> str:
    return client.get(reverse("desk:messages", args=[person.public_id])).content.decode()


def address(name: str, public_id: UUID) -> str:
    return reverse(f"desk:{name}", args=[public_id])


def test_the_messages_show_question_expiry_and_answer(
    cast: Cast, desk: Client, question: RefillQuestion
) -> None:
    shown = page(desk, cast.odalys)
    for said in ("Refill questions", "open, expires", "17 Apr", "1 message sent", "cushion", "Withdraw"):
        assert said in shown
    answer = make_answer(cast.odalys, channel="page", is_late=True)
    RefillQuestion.objects.update(state="answered", answer=answer, closed_at=NOW)
    shown = page(desk, cast.odalys)
    for said in ("answered", "late", "on the patient", "Odalys Brandt", "See the answer"):
        assert said in shown
    assert "Withdraw" not in shown


def test_all_messages_of_a_patient_are_there_page_by_page(
    cast: Cast, desk: Client, question: RefillQuestion
) -> None:
    Message.objects.bulk_create(
        Message(
            patient=cast.odalys, channel="mail", purpose="refill", day=TODAY - DAY * n, state="sent",
            created_at=NOW - DAY * n, not_before=NOW, expires_at=NOW, subject=f"Letter {n:03}", body_text="x",
        )
        for n in range(1, 121)
    )  # fmt: skip
    url = reverse("desk:messages", args=[cast.odalys.public_id])
    pages = [desk.get(f"{url}?page={number}").content.decode() for number in (1, 2, 3, 9)]
    assert [one.count("Letter ") for one in pages] == [49, 50, 21, 21]
    assert [one.count("Refill questions") for one in pages] == [1, 0, 0, 0]
    assert "50 of 121 messages" in pages[0]
    assert ["Next page" in one for one in pages] == [True, True, False, False]


def test_asked_again(cast: Cast, desk: Client, question: RefillQuestion) -> None:
    answer = desk.post(address("question_again", question.public_id))
    assert answer.status_code == 302
    assert "The question goes out again" in page(desk, cast.odalys)
    message = Message.objects.latest("pk")
    assert (message.question, message.state, message.day) == (question, "waiting", TODAY + DAY)
    assert (
        "has a message of today" in desk.post(address("question_again", question.public_id)).content.decode()
    )
    assert Message.objects.count() == 2


def test_withdrawn_with_a_reason(cast: Cast, desk: Client, question: RefillQuestion, client: Client) -> None:
    assert desk.post(address("question_withdraw", question.public_id), {"reason": " "}).status_code == 422
    question.refresh_from_db()
    assert question.state == "open"
    desk.post(address("question_withdraw", question.public_id), {"reason": "is away until May"})
    question.refresh_from_db()
    assert (question.state, question.closed_by) == ("withdrawn", cast.desk.user)
    assert "is away until May" in page(desk, cast.odalys)
