"""Writes about the first steps of a clinic: put aside, taken up again, put away; what tests of mail said."""

from datetime import datetime

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import IntegrityError, transaction

from resupply.models import MailTest, StepAside
from resupply.models.first_steps import ALL
from resupply.rules.first_steps import NEEDED, Step
from resupply.rules.sending import Answer
from resupply.services.errors import Refused
from resupply.services.records import stamp, take_back

TAKEN_UP = "Taken up again."


def put_aside(step: Step, *, by: AbstractBaseUser | None, now: datetime) -> None:
    """This step is not for us. Twice is once. Raises Refused `needed` where nothing works without it."""
    if step in NEEDED:
        raise Refused("needed", "Nothing works without this step, so it cannot be put aside.")
    _stand(step.value, by=by, now=now)


def take_up(step: Step, *, by: AbstractBaseUser | None, now: datetime) -> None:
    """It is for us after all; that it was put aside stays on record."""
    with transaction.atomic():
        rows = StepAside.objects.select_for_update(of=("self",)).filter(step=step.value, voided_at=None)
        for row in rows:
            take_back(row, reason=TAKEN_UP, by=by, now=now)


def put_away(*, by: AbstractBaseUser | None, now: datetime) -> None:
    """The first page shows the steps no more."""
    _stand(ALL, by=by, now=now)


def record_mail_test(
    answer: Answer, *, server: str, sender: str, by: AbstractBaseUser, now: datetime
) -> MailTest:
    """Keep what came of a test message; `server` and `sender` are the settings that it went out with."""
    return MailTest.objects.create(
        sent_at=now,
        sent_by_id=by.pk,
        server=server,
        sender=sender,
        outcome=answer.outcome.value,
        detail=answer.detail[:120],
    )


def _stand(step: str, *, by: AbstractBaseUser | None, now: datetime) -> None:
    try:
        with transaction.atomic():
            StepAside.objects.create(step=step, **stamp(by, now))
    except IntegrityError:
        return  # it stands already: two people, or two clicks
