"""Help on every page: where it is for staff, what it says for patients, its links."""

from dataclasses import dataclass
from typing import Any

from django import template
from django.http import HttpRequest
from django.urls import resolve
from django.utils.safestring import SafeString

from resupply.rules import patient_help
from resupply.rules.help_topics import Topic
from resupply.web.help import links
from resupply.web.own_address import own_address, own_path

register = template.Library()


@dataclass(frozen=True, slots=True)
class PatientHelp:
    """The fold of a patient's page: its topic, the words around it, where there is more (or nothing)."""

    topic: Topic
    said: Any
    more_url: str


@register.simple_tag(takes_context=True)
def help_here(context: template.Context) -> str:
    """Where the help of this page is; nothing on pages that are drawn without a request."""
    request = context.get("request")
    return links.here(request) if isinstance(request, HttpRequest) and hasattr(request, "user") else ""


@register.simple_tag(takes_context=True)
def say(context: template.Context, text: str) -> SafeString:
    """A text of a topic with its links."""
    return links.said(text, context["request"])


@register.simple_tag(takes_context=True)
def patient_help_here(context: template.Context) -> PatientHelp | None:
    """The help of a patient's page; None where a link opened nothing, and on help itself."""
    request, language = context.get("request"), context.get("language") or "en"
    if request is None or "both" in context or language not in patient_help.LANGUAGES:
        return None
    name = _patient_view(request)
    topic = patient_help.page_topic(name, language)
    if topic is None or name.startswith("me:help"):
        return None
    has_more = name.startswith("me:") and hasattr(request, "token")
    more_url = own_address(request, "help") if has_more else ""
    return PatientHelp(topic, patient_help.labels(language), more_url)


def _patient_view(request: HttpRequest) -> str:
    """The name of a patient's page, whoever looks at it; `me:born`: the question for the date of birth;
    `me:report:ill`: one report of several.
    """
    match = request.resolver_match
    if match is None:
        return ""
    if getattr(request, "is_looking", False):
        match = resolve(own_path(match.kwargs.get("rest", "")))
    is_shut = match.view_name == "me:page" and not getattr(request, "is_open", True)
    what = match.kwargs.get("what", "")
    return "me:born" if is_shut else f"{match.view_name}:{what}" if what else match.view_name
