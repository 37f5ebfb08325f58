"""Messages foreseen against messages sent: the sweep itself, day by day, while nobody answers."""

from datetime import date, time, timedelta

import pytest

from resupply.models import (
    Message,
    MessageOccasion,
    MessageReason,
    MessageState,
    MessageTermsVersion,
    Patient,
)
from resupply.queries.message_days import mailboxes
from resupply.queries.message_terms import schedule
from resupply.rules.message_days import LINK, messages
from resupply.rules.reminders import STEPS
from resupply.services import doors, reminders
from resupply.services.questions import tidy
from tests.builders import NOW, TODAY, make_consent
from tests.services.sending import make_due_patient, make_plan_line

pytestmark = pytest.mark.django_db
DAYS = 17


def sent(patient: Patient) -> list[tuple[date, str]]:
    """Day and most pressing step of what went out."""
    found = []
    for message in Message.objects.filter(patient=patient).order_by("day"):
        steps = list(MessageReason.objects.filter(message=message).values_list("step", flat=True))
        if not steps:
            assert MessageOccasion.objects.get(message=message).purpose == "calendar"
        found.append((message.day, max(steps, key=lambda step: STEPS[step].rank) if steps else LINK))
    return found


def run_the_clinic(days: int) -> None:
    """Each day at nine in Denver the sweep runs, and what it queued goes out."""
    for ahead in range(days):
        now = NOW + timedelta(days=ahead)
        tidy(now=now)
        reminders.enqueue_due(now=now, by_link=True)
        Message.objects.filter(state=MessageState.WAITING).update(state=MessageState.SENT, finished_at=now)


def test_messages_come_as_foreseen_if_nobody_answers() -> None:
    """Lines that come one after the other, one long overdue, a pause, a no to what is overdue, a question of
    an earlier month that was asked once more; a link that ends; terms that change after nine days.
    """
    several = make_due_patient(line={"ends": 24})
    make_plan_line(several, kind="tubing", part_code="A7037", ends=33)
    late = make_due_patient(line={"ends": -8})
    make_plan_line(late, kind="filter_disposable", part_code="A7038", ends=9)
    pause = {"paused_from": TODAY + timedelta(days=5), "paused_until": TODAY + timedelta(days=12)}
    paused = make_due_patient(line={"ends": 28, **pause})
    refuses = make_due_patient(line={"ends": 3})
    make_consent(refuses, purpose="overdue", granted=False)
    people = [several, late, paused, refuses]
    link = doors.issue(paused, by=None, now=NOW).link
    link.expires_at = NOW + timedelta(days=24)
    link.save()
    for begins, per_week, second, ahead in ((0, 3, 5, 2), (9, 1, 9, 20)):
        MessageTermsVersion.objects.create(
            effective_from=TODAY + timedelta(days=begins),
            opens=time(8),
            closes=time(17),
            per_week=per_week,
            second_ask_days=second,
            link_ahead_days=ahead,
            reason="as decided",
        )
    found = mailboxes([one.pk for one in people], day=TODAY)
    until = TODAY + timedelta(days=DAYS)
    foreseen = {one.pk: messages(found[one.pk], schedule(), since=TODAY, until=until) for one in people}
    run_the_clinic(DAYS)
    assert foreseen == {one.pk: sent(one) for one in people}
    assert {step for days in foreseen.values() for _, step in days} >= {"ask", "ask_again", "due", LINK}
    assert not {step for _, step in foreseen[refuses.pk]} & {"overdue_1", "overdue_2"}
