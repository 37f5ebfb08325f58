"""Words of the work lists: why a patient is called, how a call ended, when calling needs permission."""

from datetime import date

from django import template

from resupply.models import Outcome, PlanLine
from resupply.rules.periods import Period, Unit, add

register = template.Library()

SUPPLIER_MAY_CALL = Period(15, Unit.MONTH)
"""A supplier may call a Medicare patient without written permission while something covered was furnished in
the last 15 months (Social Security Act 1834(a)(17), 42 CFR 424.57(c)(11); from memory, to be verified).
"""


@register.filter
def why_call(line: PlanLine) -> str:
    """Why a line of `queries.worklists.calls` is asked about by telephone."""
    may_mail = getattr(line, "may_mail", None)
    if not line.patient.email:
        return "no e-mail address"
    if may_mail is None:
        return "never asked about e-mail"
    if may_mail is False:
        return "wants no e-mail"
    if getattr(line, "mail_failed", None):
        return "the last e-mail could not be sent"
    return "no answer to the message"


@register.filter
def needs_permission(line: PlanLine, today: date) -> bool:
    """Whether nothing was supplied for so long that a call may need written permission, and none is there."""
    supplied_on, may_call = getattr(line, "supplied_on", None), getattr(line, "may_call", None)
    return not may_call and (supplied_on is None or add(supplied_on, SUPPLIER_MAY_CALL) <= today)


@register.filter
def outcome_word(outcome: str) -> str:
    """How a contact ended, in words."""
    return Outcome(outcome).label.lower()
