"""Help for staff: every page has its topic, every link leads where the reader may go, the search finds."""

import html
import re
from pathlib import Path

import pytest
from django.test import Client
from django.urls import reverse

from resupply.delivery.words import STATE_WORDS
from resupply.rules import help_topics, patient_help
from resupply.rules.help_search import find
from resupply.web.help import book, links
from tests.cast import Cast
from tests.web.addresses import views

LINK = re.compile(r'href="([^"#]*)(#[^"]*)?"( data-help-topic)?')
OF_OTHERS = {
    "help:contents",
    "help:words",
    "help:topic",
    "help:sign_in",
    "me:help",
    "me:help_topic",
    "gallery",
}
"""Help itself, and the page for people who build pages."""
FOR_PROGRAMS = ("fhir:", "text_", "feed:")
MAY_BE_LINKED_FROM_HELP_ALONE = {
    *("dates", "strip", "paper-and-files", "this-help", "said-yes", "scan", "stops", "exception"),
    *("lost-second-step", "backups", "keys"),
}
"""Topics that explain something shown on many pages, or done outside them."""
TRADE = ("PAP", "HCPCS code", "lot", "GTIN", "UDI", "AHI", "cmH2O", "water chamber", "proof of delivery")
TRADE += ("nasal", "nasal pillows", "cradle", "full face", "hybrid", "oronasal")
OURS = (
    "part type",
    "life",
    "unit",
    "line",
    "spare",
    "swap",
    "refit",
    "contained part",
    "supply ends",
    "due today",
)
OURS += ("overdue", "coverage", "allowance", "refill", "answer", "dispense", "void", "checklist", "pause")
OURS += ("fitting", "leak check", "follow-up", "night", "plan", "location", "waiting for coverage")
QUOTED = re.compile("“([^”]+)”")


def sign_in(cast: Cast, who: str) -> Client:
    client = Client()
    client.force_login(cast.user(who))
    return client


def all_texts() -> list[str]:
    return [text for topic in book.topics().values() for text in (topic.title, *help_topics.texts(topic))]


def raw_texts() -> list[str]:
    """With their links."""
    found = []
    for topic in book.topics().values():
        pairs = (*topic.words, *topic.trouble, *topic.cautions)
        found += [*topic.about, *topic.steps, *(text for pair in pairs for text in pair)]
    return found


def test_every_page_has_a_topic() -> None:
    """Of its own audience: a page added later fails here until a topic names it in `pages`."""
    found = {name: book.topic_of(name) or patient_help.page_topic(name, "en") for name in views()}
    without = {name for name, topic in found.items() if topic is None}
    assert {name for name in without if not name.startswith(FOR_PROGRAMS)} - OF_OTHERS == set()


def test_every_topic_is_reached_from_a_page_or_another_topic() -> None:
    opened = {topic.slug for name in views() if (topic := book.topic_of(name))}
    linked = {slug for topic in book.topics().values() for slug in topic.see}
    assert book.topics().keys() - opened == MAY_BE_LINKED_FROM_HELP_ALONE
    assert linked | {"this-help"} >= MAY_BE_LINKED_FROM_HELP_ALONE
    asked = {patient_help.page_topic(name, "en") for name in views()}
    by_more_than_a_name = {"ill", "link"}  # one report of several; the question for the date of birth
    assert {"clean", "call", *by_more_than_a_name} >= {
        topic.slug for topic in patient_help.topics("en").values() if topic not in asked
    }


def test_every_topic_opens_and_links_lead_where_the_reader_may_go(cast: Cast) -> None:
    """Each topic as the role that may least; its links for the role that may most, too. Each is tried with a
    method that no view takes: 405 is an open gate.
    """
    desk, everything = sign_in(cast, "desk"), sign_in(cast, "administrator")
    led = set[str]()
    for slug, topic in book.topics().items():
        page = desk.get(reverse("help:topic", args=[slug]))
        assert page.status_code == 200, slug
        assert html.unescape(page.text).count(f"<h1>{topic.title}</h1>") == 1
        body = page.text.partition('id="help"')[2].partition("</main>")[0]
        led.update(address for address, _, _ in LINK.findall(body))
    assert {address for address in led if desk.delete(address).status_code != 405} == set()
    request = everything.get(reverse("help:contents")).wsgi_request
    more = {address for text in raw_texts() for address, _, _ in LINK.findall(links.said(text, request))}
    assert {address for address in more if everything.delete(address).status_code != 405} == set()
    status = reverse("manager:status")
    assert status in more
    assert status not in led


def test_links_to_words_and_topics_exist() -> None:
    anchors, slugs = {word.anchor for word in book.words()}, book.topics().keys()
    assert len(anchors) == len(book.words())
    assert {word.see for word in book.words()} - {""} <= slugs
    for topic in book.topics().values():
        assert set(topic.see) <= slugs - {topic.slug}, topic.slug
    for text in raw_texts():
        for _, where in help_topics.parts(text):
            assert not where.startswith("#") or where[1:] in anchors, text
            assert not where.startswith("?") or where[1:] in slugs, text


def test_every_caution_names_its_source() -> None:
    for topic in book.topics().values():
        assert topic.about, topic.slug
        for text, source in topic.cautions:
            assert source, text


def test_what_help_quotes_stands_on_a_page() -> None:
    """A button or a sentence whose words change must not leave help behind."""
    files = [
        *Path("templates").rglob("*.html"),
        *Path("resupply").rglob("*.py"),
        *Path("clinic").rglob("*.py"),
    ]
    source = "\n".join(_words_of(file) for file in files)
    gone = {
        quoted
        for text in all_texts()
        for quoted in QUOTED.findall(text)
        if quoted.replace("'", "’").lower().rstrip(".") not in source
    }
    assert gone == set()


def _words_of(file: Path) -> str:
    """What a template or a module says, on one line, without marks."""
    text = file.read_text("utf-8")
    if file.suffix == ".html":
        text = re.sub(r'<span class="visually-hidden">.*?</span>|<[^>]+>', "", text)
    else:
        text = re.sub(r'"\s*\n\s*f?"', "", text)
    return re.sub(r"\s+", " ", text).replace("'", "’").lower()


def test_the_glossary_has_every_state_and_every_word_of_the_house() -> None:
    words = {word.word.lower() for word in book.words()}
    for asked in (*OURS, *TRADE):
        assert asked.lower() in words, asked
    states = {state: word for state, word in STATE_WORDS.items() if state != "paused"}
    assert {word.lower() for word in states.values()} <= words
    assert "pause" in words
    for word in book.words():
        assert word.means.endswith("."), word.word


def test_the_page_of_words(cast: Cast) -> None:
    page = sign_in(cast, "desk").get(reverse("help:words")).text
    assert '<div id="waiting-for-coverage"><dt>waiting for coverage</dt>' in page
    assert f'<a href="{reverse("help:topic", args=["dates"])}" data-help-topic>' in page


@pytest.mark.parametrize(
    ("typed", "first"),
    [
        ("log a dispense", "dispense"),
        ("void", "#void"),
        ("how do I undo a mistake", "correct"),
        ("wrong size", "exchange"),
        ("barcode", "scan"),
        ("pacemaker", "magnets-ask"),
        ("audit", "packets"),
        ("forgot password", "lost-password"),
        ("backup", "backups"),
        ("holiday", "open-days"),
        ("proof of delivery", "#proof-of-delivery"),
        ("due", "#due-today"),
        ("self pay", "coverage"),
        ("old list", "import"),
    ],
)
def test_what_staff_type_leads_to_the_topic(typed: str, first: str) -> None:
    assert find(typed, book.entries())[0].entry.key == first


def test_searching_is_sent_and_says_what_was_found(cast: Cast) -> None:
    client = sign_in(cast, "therapist")
    address = reverse("help:contents")
    page = client.post(address, {"q": "Voiding <b>"}).text
    assert "No topic holds any of these words." in page
    assert "&lt;b&gt;" in page
    page = client.post(address, {"q": "carrier"}).text
    assert reverse("help:topic", args=["slip"]) in page
    assert "<mark>carrier</mark>" in page
    groups = re.findall(r"<h2>([^<]+)</h2>", client.get(address).text)
    assert groups[0] == "Therapist"
    assert set(map(html.unescape, groups)) == set(book.GROUPS.values())
    assert "hold some" in client.post(address, {"q": "carrier zebra"}).text


def test_help_for_signing_in_is_open_and_nothing_else_is(client: Client, cast: Cast) -> None:
    door = client.get(reverse("login")).text
    address = reverse("help:sign_in", args=["sign-in"])
    assert f'href="{address}"' in door
    page = client.get(address)
    assert page.status_code == 200
    assert "data-help-search" not in page.text
    assert reverse("help:sign_in", args=["lost-password"]) in page.text
    assert client.get(reverse("help:sign_in", args=["dispense"])).status_code == 404
    assert client.get(reverse("help:topic", args=["dispense"])).status_code == 302
    known = sign_in(cast, "desk")
    assert known.get(reverse("help:topic", args=["nothing"])).status_code == 404
    known.force_login(cast.user("outsider"))
    assert f'href="{address}"' in known.get(reverse("home")).text


def test_each_page_leads_to_its_own_topic_beside_it(cast: Cast) -> None:
    client = sign_in(cast, "manager")
    for name, slug in (("home", "getting-around"), ("desk:book", "book"), ("manager:overdue", "overdue")):
        page = client.get(reverse(name)).text
        address = reverse("help:topic", args=[slug])
        assert f'<a href="{address}" aria-keyshortcuts="F1" data-help>Help</a>' in page
        assert 'id="help-panel"' in page
    assert "data-help>" not in client.get(reverse("help:contents")).text
    own = client.get(reverse("your_sign_in")).text
    assert reverse("help:sign_in", args=["your-sign-in"]) in own  # open without a second step
