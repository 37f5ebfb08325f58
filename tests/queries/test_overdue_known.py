"""What is known about reaching the patient of an overdue line: mail that came back, several back orders.

The cushion of 1 February is overdue since 1 March; it is 2026-03-18.
"""

from datetime import date, timedelta

import pytest

from resupply.models import PlanLine
from resupply.queries.overdue_filters import Reach, narrowed_by_reach
from resupply.queries.overdue_known import Known, Way, last_contacts, looked_up
from resupply.rules.next_steps import Verb, Why
from resupply.services import plans
from resupply.services.bounces import record_bounce
from tests.builders import NOW, TODAY, make_back_order, make_consent, make_dispense, make_patient
from tests.queries.test_worklists import wrote

pytestmark = pytest.mark.django_db
YESTERDAY = TODAY - timedelta(days=1)


@pytest.fixture
def line() -> PlanLine:
    patient = make_patient(email="odalys@example.org")
    make_consent(patient)
    make_dispense(patient, on=date(2026, 2, 1))
    plans.refresh_plans([patient.pk], now=NOW)
    return PlanLine.objects.get()


def known(line: PlanLine) -> Known:
    return looked_up([line], today=TODAY)[line.pk].known


def test_mail_that_came_back_asked_nobody(line: PlanLine) -> None:
    message = wrote(line.patient, days=1)
    assert (known(line).asked, known(line).asked_on, known(line).failed_on) == (1, YESTERDAY, None)
    assert last_contacts([line.patient_id], by=TODAY)[line.patient_id].way is Way.MESSAGE
    assert narrowed_by_reach(PlanLine.objects.all(), Reach.NO_ANSWER, today=TODAY).exists()

    record_bounce(message, detail="5.2.2", now=NOW)
    assert (known(line).asked, known(line).asked_on, known(line).failed_on) == (0, None, YESTERDAY)
    assert last_contacts([line.patient_id], by=TODAY) == {}
    assert not narrowed_by_reach(PlanLine.objects.all(), Reach.NO_ANSWER, today=TODAY).exists()
    step = looked_up([line], today=TODAY)[line.pk].step
    assert (step.verb, step.why) == (Verb.CONFIRM, Why.MAIL_BOUNCED)


@pytest.mark.parametrize("days", [(3, None, 9), (9, 3, None), (None, 9, 3)])
def test_of_several_back_orders_the_first_that_is_known_counts(
    line: PlanLine, days: tuple[int | None, ...]
) -> None:
    for number in days:
        make_back_order(line.patient, expected_on=None if number is None else TODAY + timedelta(days=number))
    assert known(line).expected_on == TODAY + timedelta(days=3)
