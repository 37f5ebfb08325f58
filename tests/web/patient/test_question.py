"""A refill question answered by its link: what the page shows, what it records, what it keeps to itself."""

import io
import logging
import re
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
import time_machine
from django.apps import apps
from django.test import Client

from clinic.logs import ScrubbingFormatter
from resupply.models import Consent, Patient, PatientRead, RefillAnswer, RefillQuestion
from resupply.queries.answers import open_items
from resupply.queries.consents import may_write
from resupply.rules.question_page import words
from resupply.services import questions, reminders
from resupply.web.needs import NEEDS
from tests.builders import make_dispense
from tests.services.asking import asked
from tests.services.sending import NOW, TODAY, make_due_patient, make_plan_line
from tests.web.patient.own import without_help

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)


@pytest.fixture(autouse=True)
def at_nine() -> Iterator[time_machine.Traveller]:
    """2026-03-18, 09:00 in Denver, until a test moves on."""
    with time_machine.travel(NOW, tick=False) as clock:
        yield clock


@pytest.fixture
def patient() -> Patient:
    found = make_due_patient(given_name="Odalys", family_name="Brandt", address="1 Mill Lane")
    make_plan_line(found, kind="tubing", part_code="A7037", ends=4)
    return found


@pytest.fixture
def token(patient: Patient) -> str:
    return asked(patient)[1]


def usual(client: Client, token: str, **over: str) -> Any:
    """What a phone sends for the usual yes: the page's own first values, and three taps."""
    page = client.get(f"/ask/{token}/").content.decode()
    key = re.search(r'name="form_key" value="([^"]+)"', page)
    data = {"using": "yes", "reason": "worn", "wish": "yes", "handover": "collect"}
    data |= {"form_key": key.group(1) if key else "", "want-cushion": "yes", "want-tubing": "yes"}
    return client.post(f"/ask/{token}/", data | over)


def everything() -> dict[str, int]:
    """Rows by model; the read log, which keeps who was shown what, is no record of an answer."""
    models = (model for model in apps.get_models() if model is not PatientRead)
    return {model._meta.label: model._default_manager.count() for model in models}


def test_opening_the_link_records_nothing(client: Client, token: str) -> None:
    """Mail programs and link scanners open links: GET and HEAD are no answer and no opt-out."""
    before = everything()
    states = list(RefillQuestion.objects.values())
    for query in ("", "?change", "?wish=yes&using=yes&reason=worn", "?wish=stop"):
        assert client.get(f"/ask/{token}/{query}").status_code == 200
        assert client.head(f"/ask/{token}/{query}").status_code == 200
    assert everything() == before
    assert list(RefillQuestion.objects.values()) == states


def test_headers_of_a_secret_page_and_no_cookie(client: Client, token: str) -> None:
    answers = [client.get(f"/ask/{token}/"), client.get("/ask/none/"), client.put(f"/ask/{token}/")]
    answers += [usual(client, token, using=""), usual(client, token)]
    assert [answer.status_code for answer in answers] == [200, 404, 405, 422, 302]
    for answer in answers:
        assert answer["Cache-Control"] == "no-store"
        assert answer["Referrer-Policy"] == "no-referrer"
        assert "noindex" in answer["X-Robots-Tag"]
        assert not answer.cookies


def test_the_page_says_nothing_of_who_was_asked(client: Client, token: str, patient: Patient) -> None:
    page = client.get(f"/ask/{token}/").content.decode()
    for secret in ("Odalys", "Brandt", patient.reference, "1961", "Mill Lane", str(patient.public_id)):
        assert secret not in page
    assert "Cushion" in page
    assert "Tubing" in page


def test_the_usual_yes(client: Client, token: str, patient: Patient) -> None:
    assert usual(client, token).status_code == 302
    answer = RefillAnswer.objects.get()
    assert (answer.patient, answer.wish, answer.channel, answer.still_using) == (patient, "yes", "page", True)
    assert (answer.answered_by, answer.relation, answer.handover) == (patient.name, "", "collect")
    assert (answer.contacted_on, answer.answered_at, answer.needs_person) == (TODAY, NOW, False)
    worn = NEEDS["worn"]
    assert {item.kind: (item.wanted, item.need, item.condition) for item in answer.items.all()} == {
        "cushion": (True, *worn),
        "tubing": (True, *worn),
    }
    page = client.get(f"/ask/{token}/").content.decode()
    for said in (
        "Thank you. We have your answer.",
        "Cushion",
        "Tubing",
        "You pick it up",
        "Change my answer",
    ):
        assert said in page


def test_each_part_may_have_its_own_words(client: Client, token: str) -> None:
    more = {
        "want-tubing": "no",
        "reason-cushion": "leaks",
        "condition-cushion": "broken",
        "left-cushion": "1",
    }
    usual(client, token, **more, reason="", handover="ship", note="moves in May")
    answer = RefillAnswer.objects.get()
    cushion, tubing = answer.items.order_by("kind")
    assert (cushion.wanted, cushion.need, cushion.condition, cushion.left) == (True, "It leaks", "broken", 1)
    assert (tubing.wanted, tubing.need) == (False, "")
    assert (answer.handover, answer.note, answer.needs_person) == ("ship", "moves in May", True)


def test_who_answers_for_the_patient_is_on_record(client: Client, token: str) -> None:
    """Name of the patient or, if different, of the representative (refill documentation rules)."""
    assert usual(client, token, answered_by="Jan Ek").status_code == 422
    usual(client, token, answered_by="Jan Ek", relation="husband")
    answer = RefillAnswer.objects.get()
    assert (answer.answered_by, answer.relation) == ("Jan Ek", "husband")


@pytest.mark.parametrize(
    ("sent", "says"),
    [
        ({"using": ""}, "Tell us if you still use your equipment."),
        ({"using": "no"}, "Then please press “Not now”."),
        ({"reason": ""}, "Tell us why you need it."),
        ({"want-cushion": "no", "want-tubing": "no"}, "Choose a part that you need"),
        ({"left-cushion": "many"}, "Use a number from 0 to 99."),
        ({"note": "x" * 501}, "This is too long."),
        ({"answered_by": "Odalys Brandt", "relation": "me"}, "Write your name, and who you are to them."),
        ({"wish": ""}, "Do you need new parts?"),
    ],
)
def test_what_is_missing_is_said_and_nothing_recorded(
    client: Client, token: str, sent: dict[str, str], says: str
) -> None:
    answer = usual(client, token, **{"note": "leaks at night"} | sent)
    assert answer.status_code == 422
    page = answer.content.decode()
    assert says in page
    assert "note" in sent or "leaks at night" in page  # nothing typed is lost
    assert not RefillAnswer.objects.exists()


def test_not_now_needs_no_other_word(client: Client, token: str, patient: Patient) -> None:
    usual(client, token, wish="not_now", using="", reason="")
    answer = RefillAnswer.objects.get()
    assert (answer.wish, answer.still_using) == ("not_now", None)
    assert not any(answer.items.values_list("wanted", flat=True))
    assert "You said: not now." in client.get(f"/ask/{token}/").content.decode()
    assert reminders.enqueue_due(now=NOW + DAY, by_link=True) == 0


def test_not_using_it_calls_a_person(client: Client, token: str) -> None:
    usual(client, token, wish="not_now", using="no")
    assert RefillAnswer.objects.get().needs_person
    assert "One of us will call you" in client.get(f"/ask/{token}/").content.decode()


def test_stop_holds_at_once_whatever_else_is_wrong(client: Client, token: str, patient: Patient) -> None:
    usual(client, token, **{"wish": "stop", "left-cushion": "many", "form_key": "x"})
    assert RefillAnswer.objects.get().wish == "stop"
    assert not may_write([patient.pk], "mail", "question")
    page = client.get(f"/ask/{token}/").content.decode()
    assert "You asked us to stop." in page
    client.post(f"/ask/{token}/", {"wish": "undo"})
    assert may_write([patient.pk], "mail", "question")
    assert Consent.objects.filter(patient=patient, granted=False, voided_at=None).count() == 0
    assert "Do you need new parts?" in client.get(f"/ask/{token}/").content.decode()


def test_a_second_press_counts_once_and_a_change_replaces(
    client: Client, token: str, patient: Patient, at_nine: time_machine.Traveller
) -> None:
    page = client.get(f"/ask/{token}/").content.decode()
    key = re.search(r'name="form_key" value="([^"]+)"', page)
    assert key
    for _ in range(2):
        usual(client, token, form_key=key.group(1))
    assert RefillAnswer.objects.count() == 1
    at_nine.shift(timedelta(minutes=3))
    page = client.get(f"/ask/{token}/?change").content.decode()
    assert re.search(r'value="yes"[^>]* checked', page)  # what was said stands in the form
    usual(client, token, **{"want-tubing": "no", "form_key": "8a0ac2f8-4a3c-4c0c-9d5e-0d3a1f5b7e11"})
    assert RefillAnswer.objects.count() == 2
    assert set(open_items(patient.pk, now=NOW + DAY)) == {"cushion"}


def test_once_the_desk_acted_the_page_says_whom_to_call(client: Client, token: str, patient: Patient) -> None:
    usual(client, token)
    make_dispense(patient, on=TODAY)
    page = client.get(f"/ask/{token}/?change").content.decode()
    assert "Please call us." in page
    assert "Change my answer" not in without_help(page)
    usual(client, token, wish="not_now", form_key="8a0ac2f8-4a3c-4c0c-9d5e-0d3a1f5b7e11")
    assert RefillAnswer.objects.count() == 1


def test_an_answer_after_expiry_is_late(client: Client, token: str, at_nine: time_machine.Traveller) -> None:
    at_nine.shift(31 * DAY)
    questions.tidy(now=NOW + 31 * DAY)
    assert "One of us will read it first." in client.get(f"/ask/{token}/").content.decode()
    usual(client, token)
    answer = RefillAnswer.objects.get()
    assert (answer.is_late, answer.needs_person) == (True, True)


def test_what_was_given_meanwhile_is_not_asked(client: Client, token: str, patient: Patient) -> None:
    make_dispense(patient, on=TODAY, lines=[{}, {"part_code": "A7037"}])
    assert "There is nothing to answer now" in client.get(f"/ask/{token}/").content.decode()
    usual(client, token)
    assert not RefillAnswer.objects.exists()


def test_unknown_withdrawn_and_former_patients_read_the_same(
    client: Client, token: str, patient: Patient
) -> None:
    unknown = client.get("/ask/AAAAAAAAAAAAAAAAAAAAAA/")
    questions.withdraw(RefillQuestion.objects.get(), reason="by mistake", by=None, now=NOW)
    withdrawn = client.get(f"/ask/{token}/")
    assert client.post(f"/ask/{token}/", {"wish": "stop"}).status_code == 404
    assert (unknown.status_code, withdrawn.status_code) == (404, 404)
    assert unknown.content == withdrawn.content
    page = unknown.content.decode()
    assert "Please call the place where you get your care." in page
    assert 'lang="es"' in page
    assert not RefillAnswer.objects.exists()


def test_the_token_reaches_no_log_and_no_history(
    client: Client, token: str, patient: Patient, caplog: pytest.LogCaptureFixture
) -> None:
    heard = io.StringIO()
    handler = logging.StreamHandler(heard)
    handler.setFormatter(ScrubbingFormatter())
    logging.getLogger().addHandler(handler)
    try:
        with caplog.at_level(logging.DEBUG):
            client.get(f"/ask/{token}/")
            usual(client, token, using="")
            usual(client, token)
            client.put(f"/ask/{token}/")
            client.get(f"/ask/{token}x/")
            logging.getLogger("django.request").warning("Not Found: %s", f"/ask/{token}/")
    finally:
        logging.getLogger().removeHandler(handler)
    assert "[secret]" in heard.getvalue()
    assert token not in heard.getvalue()
    context = apps.get_model("pghistory", "Context")
    assert context.objects.filter(metadata__url__contains="/ask/[secret]").exists()
    assert not [row for row in context.objects.values_list("metadata", flat=True) if token in str(row)]


def test_spanish_throughout(client: Client) -> None:
    patient = make_due_patient(language="es")
    _, token = asked(patient)
    page = client.get(f"/ask/{token}/").content.decode()
    assert '<html lang="es">' in page
    assert "¿Todavía usa su equipo?" in page
    assert "Almohadilla" in page
    for english in ("Do you", "Not now", "Skip to", "Follow your", "I need it"):
        assert english not in page
    assert "Díganos" in usual(client, token, using="").content.decode()
    usual(client, token)
    assert "Gracias. Tenemos su respuesta." in client.get(f"/ask/{token}/").content.decode()


def test_both_languages_say_the_same_things() -> None:
    assert words("en").keys() == words("es").keys()
    for language in ("en", "es"):
        assert all(words(language).values())


def test_every_reason_of_the_desk_has_words_for_patients() -> None:
    for language in ("en", "es"):
        assert NEEDS.keys() == {key[7:] for key in words(language) if key.startswith("reason_")} - {
            "own",
            "same",
            "missing",
        }


@pytest.mark.parametrize("lines", [1, 6])
def test_queries_do_not_grow_with_parts(
    client: Client, lines: int, django_assert_max_num_queries: Any
) -> None:
    patient = make_due_patient()
    for kind in ("tubing", "mask", "headgear", "chamber", "filter_disposable")[: lines - 1]:
        make_plan_line(patient, kind=kind)
    _, token = asked(patient)
    with django_assert_max_num_queries(4):  # the fourth writes the read log
        client.get(f"/ask/{token}/")
