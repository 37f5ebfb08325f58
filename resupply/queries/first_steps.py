"""Where the first steps of a clinic stand, read from its records in two queries."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db import connection
from django.db.models import QuerySet

from resupply.models import Channel, MailTest, MessageState, Staff, StepAside
from resupply.models.first_steps import ALL
from resupply.rules.first_steps import FirstSteps, Step, standing
from resupply.rules.sending import Outcome

FIRST_DAYS = timedelta(days=30)
"""So long after its first dispense was recorded a clinic is still shown the way on its first page."""
_SQL = """
SELECT
    (SELECT count(*) FROM resupply_location WHERE closed_on IS NULL),
    (SELECT count(*) FROM resupply_payer),
    (SELECT count(*) FROM resupply_catalogueitem WHERE is_offered),
    EXISTS (SELECT FROM resupply_importbatch WHERE undone_at IS NULL),
    EXISTS (SELECT FROM resupply_patient),
    (SELECT recorded_at FROM resupply_dispense WHERE voided_at IS NULL ORDER BY id LIMIT 1),
    EXISTS (SELECT FROM resupply_message WHERE channel = %(mail)s AND state = %(sent)s),
    EXISTS (SELECT FROM resupply_mailtest
        WHERE outcome = %(accepted)s AND server = %(server)s AND sender = %(sender)s),
    ARRAY(SELECT step FROM resupply_stepaside WHERE voided_at IS NULL)
"""

_COLUMNS = "locations payers items has_list has_patients dispensed_at was_mailed is_tested aside"


@dataclass(frozen=True, slots=True)
class Found:
    """What is on record: how many of each, and what has happened at least once.

    `was_mailed`: a patient was written to by mail; `is_tested`: a mail server took a test message, with the
    settings of now; `people` are members of staff who may sign in.
    """

    locations: int
    payers: int
    items: int
    has_list: bool
    has_patients: bool
    dispensed_at: datetime | None
    was_mailed: bool
    is_tested: bool
    aside: frozenset[str]
    people: int

    @property
    def steps(self) -> FirstSteps:
        """Where each step stands."""
        told = {
            Step.LOCATION: self.locations > 0,
            Step.STAFF: self.people > 1,
            Step.PAYERS: self.payers > 0,
            Step.CATALOGUE: self.items > 0,
            Step.LIST: self.has_list,
            Step.MAIL: self.was_mailed or self.is_tested,
            Step.DISPENSE: self.dispensed_at is not None,
        }
        done = {step for step, is_done in told.items() if is_done}
        return standing(done, {step for step in Step if step.value in self.aside})

    @property
    def is_put_away(self) -> bool:
        """Whether somebody put the finished list away."""
        return ALL in self.aside

    def leads(self, *, now: datetime) -> bool:
        """Whether the first page shows the steps: not once they are put away, nor to a clinic at work."""
        return not self.is_put_away and not self.is_at_work(now=now)

    def is_at_work(self, *, now: datetime) -> bool:
        """Whether the first dispense was recorded long enough ago that nothing here is *next*."""
        return self.dispensed_at is not None and self.dispensed_at <= now - FIRST_DAYS


def found(*, server: str, sender: str) -> Found:
    """Look at the records. `server` and `sender` are the settings of mail as `MailTest` keeps them."""
    values = {
        "mail": Channel.MAIL.value,
        "sent": MessageState.SENT.value,
        "accepted": Outcome.ACCEPTED.value,
        "server": server,
        "sender": sender,
    }
    with connection.cursor() as cursor:
        cursor.execute(_SQL, values)
        told = dict(zip(_COLUMNS.split(), cursor.fetchone() or (), strict=True))
    told["aside"] = frozenset(told["aside"])
    return Found(**told, people=Staff.objects.filter(user__is_active=True).count())


def asides() -> "QuerySet[StepAside]":
    """Steps that were put aside and still are, with who did."""
    return StepAside.objects.filter(voided_at=None).select_related("recorded_by")


def mail_tests() -> "QuerySet[MailTest]":
    """Test messages, the newest first."""
    return MailTest.objects.select_related("sent_by").order_by("-sent_at", "-pk")
