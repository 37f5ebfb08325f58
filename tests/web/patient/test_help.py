"""Help on patients' pages: the fold that keeps a form, the page behind the link, both languages."""

import html

import pytest
from django.test import Client
from django.urls import reverse

from resupply.models import Language
from resupply.queries import texts
from resupply.rules import patient_help
from resupply.services.doors import IssuedLink
from tests.builders import make_question
from tests.cast import Cast
from tests.web.patient.own import at

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_noon")]


def test_each_page_holds_its_own_help(inside: Client, issued: IssuedLink) -> None:
    pages = {
        "page": "page",
        "changed": "change",
        "choices": "messages",
        "days": "days",
        "calendar": "calendar",
    }
    asked = {at(issued, name): slug for name, slug in pages.items()}
    asked |= {at(issued, "report", "leak"): "trouble", at(issued, "report", "ill"): "ill"}
    for address, slug in asked.items():
        page = html.unescape(inside.get(address).text)
        fold = page.partition('<details class="help-fold">')[2].partition("</details>")[0]
        assert patient_help.topics("en")[slug].title in fold, slug
        assert f'href="{at(issued, "help")}"' in fold


def test_help_needs_the_link_and_not_the_date_of_birth(
    client: Client, inside: Client, issued: IssuedLink
) -> None:
    stranger = Client()
    assert "Open your page, or get a new link" in stranger.get(at(issued)).text
    for device, may_call in ((stranger, False), (inside, True)):
        page = device.get(at(issued, "help"))
        assert (page.status_code, page["Cache-Control"]) == (200, "no-store")
        assert "Odalys" not in page.text
        assert ("Call us" in page.text.partition("What would you like to know?")[2]) == may_call
    assert stranger.get(reverse("me:help", args=["nothing"])).status_code == 404
    assert inside.get(at(issued, "help_topic", "nothing")).status_code == 404


def test_every_topic_opens_in_both_languages(inside: Client, issued: IssuedLink) -> None:
    for language in ("en", "es"):
        type(issued.link.patient).objects.update(language=language)
        for slug, topic in patient_help.topics(language).items():
            page = html.unescape(inside.get(at(issued, "help_topic", slug)).text)
            assert f'<html lang="{language}">' in page
            assert f"<h1>{topic.title}</h1>" in page
            assert "help-fold" not in page  # no help about help
            assert all(text in page for text in topic.steps), slug


def test_searching_is_sent_and_finds_in_the_own_language(inside: Client, issued: IssuedLink) -> None:
    found = inside.post(at(issued, "help"), {"q": "pacemaker"}).text
    assert (
        at(issued, "help_topic", "implant") in found.partition("We found this")[2].partition("</section>")[0]
    )
    assert "We found nothing" in inside.post(at(issued, "help"), {"q": "xyzzy"}).text
    type(issued.link.patient).objects.update(language=Language.SPANISH)
    found = inside.post(at(issued, "help"), {"q": "IMANES"}).text
    assert "<mark>imanes</mark>" in found


def test_pages_of_messages_hold_help_without_a_link_further(
    client: Client, inside: Client, issued: IssuedLink
) -> None:
    """Who has a question's link has no other page."""
    page = client.get(reverse("ask:question", args=[make_question(issued.link.patient)])).text
    fold = page.partition('<details class="help-fold">')[2].partition("</details>")[0]
    assert patient_help.topics("en")["answer"].title in fold
    assert "/me/" not in fold
    assert "help-fold" not in client.get(reverse("ask:question", args=["nothing"])).text
    assert "help-fold" not in client.get(reverse("me:page", args=["nothing"])).text


def test_staff_who_look_read_the_same_and_send_nothing(cast: Cast, client: Client) -> None:
    client.force_login(cast.user("desk"))
    person = cast.odalys.public_id
    address = reverse("desk:own_part", args=[person, "help/"])
    own = client.get(reverse("desk:own_page", args=[person])).text
    assert f'href="{address}?language=en"' in own
    page = client.get(address, {"language": "es"}).text
    assert patient_help.topics("es")["clean"].title in page
    assert "disabled" in page.partition('role="search"')[2].partition("</form>")[0]
    assert "The Spanish wording has not been approved" in page


def test_help_is_among_what_a_qualified_reader_approves() -> None:
    assert set(patient_help.pairs()) <= set(texts.page_pairs())
