"""The demo clinic's answers: somebody on each list of Today in each room, and nothing shipped unasked."""

from datetime import date

import pytest
from django.db.models import F

from resupply.models import (
    Contact,
    DispenseLine,
    Location,
    Message,
    RefillAnswer,
    RefillAnswerItem,
    RefillQuestion,
)
from resupply.queries import worklists
from tests.demo_days import DAYS, LEAP, DemoOn


@pytest.mark.parametrize("day", DAYS, ids=str)
def test_every_work_list_has_somebody_in_each_room(demo_on: DemoOn, day: date) -> None:
    demo_on(day)
    for room in Location.objects.all():
        place = [room.pk]
        yes = [row.deliver_from for row in worklists.said_yes(place, today=day).order_by("pk")]  # type: ignore[attr-defined]
        assert [one for one in yes if one <= day], f"{room}: a yes to dispense today"
        assert worklists.to_handle(place, today=day).exists(), f"{room}: an answer to read"
        assert worklists.calls(place, today=day).exists(), f"{room}: a call"
        assert worklists.expected(place, today=day).exists(), f"{room}: a part awaited"
    said = set(worklists.to_handle((), today=day).values_list("wish", "still_using"))
    assert {("yes", True), ("not_now", True), ("not_now", False)} <= said
    tried = worklists.calls((), today=day).filter(contact_outcome__isnull=False)
    assert tried.exists(), "a call that was tried before"
    asked = RefillQuestion.objects.filter(state="open", messages__state="sent", parts__isnull=False)
    assert asked.exists(), "a question that is open"


@pytest.mark.parametrize("day", DAYS[1:], ids=str)
def test_what_was_shipped_goes_back_to_a_yes_recorded_before(demo_on: DemoOn, day: date) -> None:
    demo_on(day)
    shipped = DispenseLine.objects.filter(dispense__given="shipped", dispense__supplied_by="us")
    assert shipped.exists()
    asked = shipped.filter(
        kind=F("answer_item__kind"),
        answer_item__wanted=True,
        answer_item__answer__patient=F("dispense__patient"),
        answer_item__answer__contacted_on__lt=F("dispense__dispensed_on"),
        answer_item__answer__recorded_at__lt=F("dispense__recorded_at"),
    ).exclude(answer_item__need="")
    assert asked.count() == shipped.count()


def test_the_same_day_gives_the_same_answers(demo_on: DemoOn) -> None:
    demo_on(LEAP)
    here = _content()
    demo_on(LEAP, again=True)
    assert _content() == here
    assert len(here) > 60


def _content() -> list[object]:
    return [
        *RefillAnswer.objects.order_by("id").values_list(
            "patient__reference", "wish", "channel", "contacted_on", "answered_at", "note", "needs_person"
        ),
        *RefillAnswerItem.objects.order_by("id").values_list("kind", "wanted", "need", "condition"),
        *Contact.objects.order_by("id").values_list("patient__reference", "on", "outcome"),
        *Message.objects.order_by("id").values_list("patient__reference", "day", "subject", "body_text"),
    ]
