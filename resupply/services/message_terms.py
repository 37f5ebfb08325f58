"""The clinic's terms of messages: the limits that drafts of them keep to (`policy_changes`)."""

from datetime import time

from resupply.rules.message_terms import LONGEST_AHEAD, LONGEST_WAIT, MOST_A_WEEK
from resupply.rules.reminders import EARLIEST, LATEST
from resupply.services.errors import Refused


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
