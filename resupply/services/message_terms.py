"""The clinic's terms of messages: planned as versions dated from a day on, each with its reason."""

from datetime import date, datetime, time

from django.contrib.auth.base_user import AbstractBaseUser

from resupply.models import MessageTermsVersion
from resupply.rules.message_terms import LONGEST_AHEAD, LONGEST_WAIT, MOST_A_WEEK
from resupply.rules.reminders import EARLIEST, LATEST
from resupply.services.errors import Refused
from resupply.services.records import check_reason, stamp


def plan_terms(
    *,
    effective_from: date,
    opens: time,
    closes: time,
    per_week: int,
    second_ask_days: int,
    link_ahead_days: int,
    reason: str,
    by: AbstractBaseUser | None,
    today: date,
    now: datetime,
) -> MessageTermsVersion:
    """Add a version. What was sent stays as it was sent; messages that wait keep to their own hours.

    Raises Refused: `past`, `hours`, `per_week`, `days`, `reason_missing`, `reason_long`.
    """
    reason = check_reason(reason)
    if effective_from < today:
        raise Refused("past", "Terms begin today or later: what was sent was sent.", "effective_from")
    check_numbers(
        opens=opens,
        closes=closes,
        per_week=per_week,
        second_ask_days=second_ask_days,
        link_ahead_days=link_ahead_days,
    )
    return MessageTermsVersion.objects.create(
        effective_from=effective_from,
        opens=opens,
        closes=closes,
        per_week=per_week,
        second_ask_days=second_ask_days,
        link_ahead_days=link_ahead_days,
        reason=reason,
        **stamp(by, now),
    )


def check_numbers(
    *, opens: time, closes: time, per_week: int, second_ask_days: int, link_ahead_days: int
) -> None:
    """Raises Refused: `hours`, `per_week`, `days`."""
    if not EARLIEST <= opens < closes <= LATEST:
        raise Refused("hours", "Messages go out between 08:00 and 21:00, from the earlier hour on.", "opens")
    if not 1 <= per_week <= MOST_A_WEEK:
        raise Refused("per_week", "One to three messages a week.", "per_week")
    if not (1 <= second_ask_days <= LONGEST_WAIT and 1 <= link_ahead_days <= LONGEST_AHEAD):
        raise Refused(
            "days", "Ask again within 28 days; write of a link at most 60 days ahead.", "second_ask_days"
        )
