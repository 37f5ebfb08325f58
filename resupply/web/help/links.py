"""Where the links of a topic lead, for whoever reads it: nobody is led to a page that is closed to them.

In a text, `[words|desk:find]` leads to a page, `[words|?dates]` to a topic, `[words|#lot]` to the glossary.
"""

from django.http import HttpRequest
from django.urls import resolve, reverse
from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString

from resupply.rules import help_topics
from resupply.rules.help_topics import Topic
from resupply.web.access import OPEN_VIEWS, holds
from resupply.web.help import book


def address(topic: Topic, request: HttpRequest) -> str:
    """Where a topic is read: those of signing in without it, too."""
    if topic.group == book.OPEN and not holds(request, "help.see"):
        return reverse("help:sign_in", args=[topic.slug])
    return reverse("help:topic", args=[topic.slug])


def here(request: HttpRequest) -> str:
    """The help of the page that is being shown. Topics of signing in need no second step, and no role."""
    match = request.resolver_match
    topic = book.topic_of(match.view_name) if match else None
    if topic and topic.group == book.OPEN:
        return reverse("help:sign_in", args=[topic.slug])
    if not holds(request, "help.see"):
        return reverse("help:sign_in", args=[book.SIGNING_IN])
    return address(topic, request) if topic else reverse("help:contents")


def said(text: str, request: HttpRequest) -> SafeString:
    """A text with its links, as far as this person may go."""
    pieces = [(words, target(where, request)) for words, where in help_topics.parts(text)]
    return format_html_join("", "{}", ((_piece(words, *found),) for words, found in pieces))


def target(where: str, request: HttpRequest) -> tuple[str, bool]:
    """The address of a link (empty: not for this person), and whether it is help itself."""
    if where.startswith("?"):
        topic = book.topics()[where[1:]]
        is_open = topic.group == book.OPEN or holds(request, "help.see")
        return (address(topic, request) if is_open else ""), True
    if where.startswith("#"):
        return (f"{reverse('help:words')}{where}" if holds(request, "help.see") else ""), True
    return (page(where, request) if where else ""), False


def page(view_name: str, request: HttpRequest) -> str:
    """The address of a page that takes nothing, if the person may open it. NoReverseMatch: none such."""
    url = reverse(view_name)
    if view_name in OPEN_VIEWS:
        return url if request.user.is_authenticated else ""
    permission = getattr(resolve(url).func, "permission", "")
    return url if permission and holds(request, permission) else ""


def _piece(words: str, url: str, is_help: bool) -> SafeString | str:
    if not url:
        return words
    mark = " data-help-topic" if is_help else ""
    return format_html('<a href="{}"{}>{}</a>', url, SafeString(mark), words)
