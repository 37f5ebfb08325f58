"""Words of the work lists: why a patient is called, how a call ended, when calling needs permission."""

from datetime import date

from django import template

from resupply.models import Outcome, PlanLine
from resupply.rules import consents
from resupply.rules.consents import Said

register = template.Library()


@register.filter
def why_call(line: PlanLine) -> str:
    """Why a line of `queries.worklists.calls` is asked about by telephone."""
    if not getattr(line, "can_write", False):
        may_mail = getattr(line, "may_mail", None)
        if not line.patient.email:
            return "no e-mail address"
        if may_mail is None:
            return "never asked about e-mail"
        return "the e-mail address does not exist" if may_mail else "wants no e-mail"
    if getattr(line, "last_failed", None):
        return "the last message did not arrive"
    return "no answer to the message"


@register.filter
def call_ground(line: PlanLine, today: date) -> str:
    """On which ground this patient may be called about supplies: `written`, `supplied` or `none`."""
    may_call, supplied_on = getattr(line, "may_call", None), getattr(line, "supplied_on", None)
    said = [] if may_call is None else [
        Said("phone", "", may_call, on_paper=bool(getattr(line, "call_on_paper", False)))
    ]  # fmt: skip
    return consents.may_call(said, supplied_on=supplied_on, today=today).value


@register.filter
def outcome_word(outcome: str) -> str:
    """How a contact ended, in words."""
    return Outcome(outcome).label.lower()
