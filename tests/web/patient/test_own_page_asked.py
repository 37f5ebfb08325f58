"""A patient's own page: the refill question, and what staff see of it all."""

import re
from uuid import uuid4

import pytest
from django.test import Client
from django.urls import reverse

from resupply.models import (
    Patient,
    PatientReport,
    RefillAnswer,
    RefillQuestion,
)
from resupply.services import feeds, questions
from resupply.services.doors import IssuedLink
from resupply.services.feeds import Options
from resupply.web.patient import page_urls
from tests.builders import (
    NOW,
    TODAY,
    make_event,
    make_question,
    make_report,
    make_staff,
)
from tests.web.patient.own import BORN, at

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_noon")]


# --- the refill question ---


def ask(patient: Patient) -> RefillQuestion:
    make_question(patient, parts=[{"kind": "tubing", "part_code": "A7037"}])
    return RefillQuestion.objects.latest("pk")


YES = {"wish": "yes", "using": "yes", "reason": "worn", "handover": "collect", "want-tubing": "yes"}


def test_an_open_question_stands_first_and_is_answered_without_its_link(
    inside: Client, issued: IssuedLink, patient: Patient
) -> None:
    assert "Do you need new parts?" not in inside.get(at(issued)).text
    assert inside.get(at(issued, "question"))["Location"] == at(issued)
    question = ask(patient)
    page = inside.get(at(issued)).text
    assert page.index("We ask about: tubing.") < page.index("Today&#x27;s cleaning")
    form = inside.get(at(issued, "question"))
    assert "Are you still using your equipment?" in form.text
    inside.head(at(issued, "question"))
    assert not RefillAnswer.objects.exists()
    key = form.context["form"]["form_key"].value()
    assert inside.post(at(issued, "question"), YES | {"form_key": key})["Location"] == at(issued, "question")
    answer = RefillAnswer.objects.get()
    question.refresh_from_db()
    assert (answer.channel, answer.wish, question.state, question.answer) == (
        "page", "yes", "answered", answer,
    )  # fmt: skip
    assert "You said yes to:" in inside.get(at(issued, "question")).text
    assert "We have your answer of Wednesday 18 March." in inside.get(at(issued)).text
    assert "change=1" in inside.get(at(issued, "question")).text
    inside.post(at(issued, "question"), {"wish": "stop"})
    inside.post(at(issued, "question"), {"wish": "undo"})
    assert [one.wish for one in RefillAnswer.objects.filter(voided_at=None)] == ["yes"]


def test_a_question_needs_an_open_door_and_a_token_against_forgery(
    issued: IssuedLink, patient: Patient
) -> None:
    ask(patient)
    client = Client(enforce_csrf_checks=True)
    assert client.get(at(issued, "question"))["Location"] == at(issued)
    client.get(at(issued))
    token = {"csrfmiddlewaretoken": client.cookies["csrftoken"].value}
    assert client.post(at(issued, "question"), YES | token).status_code == 302
    client.post(at(issued), BORN | token)
    assert client.post(at(issued, "question"), YES).status_code == 403
    assert not RefillAnswer.objects.exists()
    assert client.post(at(issued, "question"), YES | token | {"form_key": uuid4()}).status_code == 302
    assert RefillAnswer.objects.exists()


def test_a_withdrawn_question_is_not_shown(inside: Client, issued: IssuedLink, patient: Patient) -> None:
    questions.withdraw(ask(patient), reason="asked by phone", by=None, now=NOW)
    assert "Do you need new parts?" not in inside.get(at(issued)).text
    assert inside.get(at(issued, "question"))["Location"] == at(issued)


# --- what staff see ---


def test_staff_see_every_page_that_the_patient_sees_marked_and_can_send_nothing(
    issued: IssuedLink, patient: Patient
) -> None:
    """Each own page that a GET shows, from the resolver, so that none is forgotten."""
    ask(patient)
    calendar = feeds.subscribe(patient, Options(), by=None, now=NOW).subscription
    swap = make_event(patient, "swap", on=TODAY, by_patient=True)
    arguments = {
        "calendar_change": [calendar.public_id],
        "told": [make_report(patient).public_id],
        "changed_done": [swap.public_id],
        "report": ["leak"],
        "help_topic": ["page"],
    }
    client = Client()
    client.force_login(make_staff("desk").user)
    start = reverse("desk:own_page", args=[patient.public_id])
    seen = set()
    for one in page_urls.urlpatterns:
        name = str(one.name)
        if name in ("tick", "language", "undo"):  # they only take
            continue
        rest = reverse(f"me:{name}", args=["-", *arguments.get(name, [])]).removeprefix("/me/-/")
        page = client.get(f"{start}{rest}?language=es")
        assert page.status_code == 200, name
        assert "You are looking as staff." in page.text, name
        assert f"This is what {patient.name} sees." in page.text
        assert "The Spanish wording has not been approved" in page.text
        assert '<html lang="es">' in page.text, name
        assert not re.findall(r"<button[^>]*type=.submit.(?![^>]*disabled)[^>]*>", page.text), name
        assert "/me/" not in page.text, name
        for way in re.findall(r'href="([^"]+own-page[^"]*)"', page.text):
            assert "language=es" in way, (name, way)
        assert client.post(f"{start}{rest}").status_code == 405, name
        seen.add(name)
    assert seen > {"page", "calendar", "question", "month", "implant", "days"}
    issued.link.refresh_from_db()
    assert issued.link.last_opened_at is None
    assert "not been approved" not in client.get(start).text
    assert client.get(f"{start}nothing/").status_code == 404
    assert client.get("/me/-/").status_code == 404


def test_the_desk_shows_a_link_once_renews_and_revokes(patient: Patient) -> None:
    client = Client()
    client.force_login(make_staff("desk", username="ines").user)
    address = reverse("desk:link", args=[patient.public_id])
    made = client.post(address)
    first = made.context["address"]
    assert first in made.text
    assert made["Cache-Control"] == "no-store"
    assert 'class="qr"' in made.text
    assert "Good until Thursday 18 March 2027." in made.text
    page = client.get(address)
    assert first not in page.text
    assert "by ines" in page.text
    Patient.objects.update(language="es")
    assert client.post(address).context["form"].errors  # one at a time
    renewed = client.post(reverse("desk:link_renew", args=[page.context["live"].public_id]))
    assert '<p class="form-text" lang="es">Sirve hasta el jueves 18 de marzo de 2027.</p>' in renewed.text
    second = renewed.context["address"]
    paths = [one.partition("/me/")[2] for one in (first, second)]
    assert [client.get(f"/me/{path}").status_code for path in paths] == [410, 200]
    live = client.get(address).context["live"]
    assert client.post(reverse("desk:link_revoke", args=[live.public_id])).status_code == 302
    assert client.get(f"/me/{paths[1]}").status_code == 410
    assert "No link is in use." in client.get(address).text


def test_reports_reach_the_desk_and_the_therapist_until_seen_to(
    inside: Client, issued: IssuedLink, patient: Patient
) -> None:
    inside.post(at(issued, "report", "sore"), {"note": "bridge of the nose"})
    inside.post(at(issued, "report", "ill"))
    inside.post(at(issued, "changed"), {"kind": "tubing"})
    inside.post(at(issued, "pause"), {"note": "in hospital"})
    staff = Client()
    staff.force_login(make_staff("administrator").user)
    today = staff.get("/").text
    assert "“bridge of the nose”" in today
    assert "Part changed, no spare on record" in today
    assert "Was ill" not in today
    assert "Not using the equipment" in today, "a pause is followed up by a person"
    assert "“in hospital”" in today
    work = staff.get(reverse("therapist:work")).text
    assert "sore spot" in work
    assert "no spare on record" not in work
    assert "not using the equipment" in work.lower()
    row = PatientReport.objects.get(told="sore")
    handled = reverse("desk:report_handled", args=[row.public_id])
    assert staff.post(handled, {"note": ""}).status_code == 422
    listed = staff.get(f"{handled}?back=patients-report&location=7&order=newest").context["back_url"]
    assert listed == f"{reverse('worklist', args=['patients-report'])}?location=7&order=newest"
    assert staff.post(f"{handled}?back=work", {"note": "comes in on Friday"})["Location"] == reverse(
        "therapist:work"
    )
    row.refresh_from_db()
    assert (row.handled_note, row.handled_at) == ("comes in on Friday", NOW)
    assert "bridge of the nose" not in staff.get("/").text
    assert "sore spot" not in staff.get(reverse("therapist:work")).text
    assert staff.post(handled, {"note": "again"}).status_code == 422
