"""Links between a patient's own pages."""

from typing import Any

from django import template

from resupply.web.own_address import own_address

register = template.Library()


@register.simple_tag(takes_context=True)
def own(context: template.Context, name: str, *args: Any, **query: Any) -> str:
    """The address of an own page, for the patient or for staff who look: `{% own 'report' 'leak' %}`."""
    return own_address(context["request"], name, *args, **query)
