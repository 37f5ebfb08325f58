"""Answers and calls at the desk: the form, what it refuses, where it leads, and what the pages show."""

from datetime import date
from uuid import uuid4

import pytest
from django.test import Client
from django.urls import reverse
from pytest_django import DjangoAssertNumQueries

from resupply.models import Consent, Contact, Patient, RefillAnswer, RefillAnswerItem
from resupply.services import plans
from tests.builders import NOW, make_answer, make_consent, make_contact, make_dispense
from tests.cast import Cast
from tests.web.desk.test_desk import text

pytestmark = pytest.mark.usefixtures("usual_day")


@pytest.fixture
def odalys(cast: Cast) -> Patient:
    """Her cushion is 17 days overdue, her mask's supply ends in 60 days."""
    make_dispense(cast.odalys, on=date(2026, 2, 1))
    make_dispense(cast.odalys, on=date(2026, 2, 17), lines=[{"part_code": "A7034"}])
    plans.refresh_plans([cast.odalys.pk], now=NOW)
    return cast.odalys


def at(view: str, *args: object) -> str:
    return reverse(f"desk:{view}", args=args)


def sheet(*rows: dict[str, object], **over: object) -> dict[str, object]:
    """What the form sends: a yes by telephone."""
    data: dict[str, object] = {
        "still_using": "yes",
        "wish": "yes",
        "channel": "phone",
        "contacted_on": "2026-03-18",
        "handover": "collect",
        "form_key": str(uuid4()),
        "rows-TOTAL_FORMS": len(rows),
        "rows-INITIAL_FORMS": len(rows),
    }
    for number, row in enumerate(rows):
        data |= {f"rows-{number}-{name}": value for name, value in row.items()}
    return data | over


CUSHION = {"kind": "cushion", "wanted": "yes", "reason": "worn", "condition": "unknown", "quantity": 3}
MASK = {"kind": "mask", "wanted": "yes", "need": "too loose", "condition": "unknown"}


def test_the_form_opens_on_what_is_to_be_asked_about(ines: Client, odalys: Patient) -> None:
    answer = ines.get(at("answer", odalys.public_id))
    rows = [(form["kind"].value(), form["wanted"].value(), form["quantity"].value()) for form, _ in
            answer.context["rows"]]  # fmt: skip
    assert rows == [("mask", "", None), ("cushion", "yes", 3)]
    page = text(answer)
    assert page.index("Are you still using your equipment?") < page.index("Do you want a refill?")
    assert "To be asked from Fri 17 Apr" in page
    assert answer.context["form"]["channel"].value() == "in_person"
    assert answer.context["form"]["still_using"].value() is None  # nobody answers for the patient


def test_from_a_list_it_is_a_call_and_shipped_where_there_is_an_address(
    ines: Client, odalys: Patient
) -> None:
    head = ines.get(at("answer", odalys.public_id), {"back": "calls"}).context["form"]
    assert (head["channel"].value(), head["handover"].value()) == ("phone", "collect")
    Patient.objects.update(address="1 Long Road")
    head = ines.get(at("answer", odalys.public_id), {"back": "calls"}).context["form"]
    assert head["handover"].value() == "ship"


def test_a_yes_leads_to_the_dispense_it_is_for(cast: Cast, ines: Client, odalys: Patient) -> None:
    answer = ines.post(at("answer", odalys.public_id), sheet(CUSHION))
    recorded = RefillAnswer.objects.get()
    assert answer["Location"] == f"{at('dispense', odalys.public_id)}?answer={recorded.public_id}"
    assert (recorded.recorded_by, recorded.answered_by, recorded.still_using) == (
        cast.desk.user,
        "Odalys Brandt",
        True,
    )
    item = recorded.items.get()
    assert (item.need, item.condition, item.quantity) == ("Worn, time for a new one", "worn", 3)
    assert "Recorded: yes to cushion." in text(ines.get(answer["Location"]))


def test_what_may_not_go_out_yet_says_from_when(ines: Client, odalys: Patient) -> None:
    answer = ines.post(at("answer", odalys.public_id), sheet(MASK), follow=True)
    assert answer.redirect_chain == [(at("patient", odalys.public_id), 302)]
    assert "Recorded: yes to mask. May go out from Thu 7 May." in text(answer)
    both = ines.post(at("answer", odalys.public_id), sheet(CUSHION, MASK), follow=True)
    assert "May go out: cushion now, mask from Thu 7 May." in text(both)


@pytest.mark.parametrize(
    ("query", "address"),
    [
        ({"back": "today"}, "/"),
        ({"back": "today", "location": "7"}, "/?location=7"),
        ({"back": "calls", "location": "7", "order": "name"}, "/today/calls/?location=7&order=name"),
        ({"back": "https://elsewhere.example/"}, None),
    ],
)
def test_the_desk_goes_on_where_it_came_from(
    ines: Client, odalys: Patient, query: dict[str, str], address: str | None
) -> None:
    url = at("answer", odalys.public_id)
    answer = ines.post(
        url, sheet(wish="not_now"), QUERY_STRING="&".join(f"{k}={v}" for k, v in query.items())
    )
    assert answer["Location"] == (address or at("patient", odalys.public_id))


def test_one_reason_for_all_of_them_and_a_word_of_its_own(ines: Client, odalys: Patient) -> None:
    rows = [CUSHION | {"reason": ""}, MASK, {"kind": "headgear", "wanted": ""}]
    ines.post(at("answer", odalys.public_id), sheet(*rows, reason_all="leaks"))
    found = RefillAnswerItem.objects.order_by("kind").values_list("kind", "need", "condition")
    assert list(found) == [("cushion", "It leaks", "leaks"), ("mask", "too loose", "unknown")]


def test_not_now_is_about_the_parts_asked_about(ines: Client, odalys: Patient) -> None:
    page = text(ines.post(at("answer", odalys.public_id), sheet(CUSHION, wish="not_now"), follow=True))
    assert "Recorded: not now." in page
    assert list(RefillAnswerItem.objects.values_list("kind", "wanted")) == [("cushion", False)]


def test_stop_asking_says_what_it_does(ines: Client, odalys: Patient) -> None:
    page = text(ines.post(at("answer", odalys.public_id), sheet(CUSHION, wish="stop"), follow=True))
    assert "Recorded: stop asking. Nothing more is sent and nobody calls, from now on." in page
    assert Consent.objects.filter(granted=False).count() == 3


MENDS = [
    ({"reason": ""}, {}, "Say why the patient needs this part", "no need"),
    ({}, {"still_using": ""}, "Ask this first", "not asked whether it is used"),
    ({}, {"still_using": "no"}, "Parts are for equipment that is in use.", "not used"),
    ({"wanted": "no"}, {}, "Say which part the patient wants", "no part"),
    ({"quantity": 0}, {}, "Enter 1 or more.", "none"),
    ({"left": "few"}, {}, "Enter a whole number.", "a word for a number"),
    ({}, {"contacted_on": "2026-03-19"}, "Thu 19 Mar 2026 has not come yet.", "tomorrow"),
    ({}, {"answered_by": "Rosa Brandt"}, "Say how this person is related", "no relation"),
    ({}, {"note": "x" * 501}, "Keep this to 500 characters", "a long note"),
    ({"kind": "sofa"}, {}, "The patient has no such part on record.", "no such part"),
]


@pytest.mark.parametrize(("row", "over", "says", "what"), MENDS, ids=[mend[3] for mend in MENDS])
def test_what_has_to_be_mended_is_said_and_nothing_typed_is_lost(
    ines: Client, odalys: Patient, row: dict[str, object], over: dict[str, object], says: str, what: str
) -> None:
    data = sheet(CUSHION | row, MASK | {"wanted": "no", "need": "kept as typed"}, **over)
    answer = ines.post(at("answer", odalys.public_id), data)
    page = answer.content.decode()
    assert answer.status_code == 422
    assert says in text(answer)
    assert 'role="alert"' in page
    assert 'value="kept as typed"' in page
    assert str(data["form_key"]) in page
    assert not RefillAnswer.objects.exists()


def test_a_second_press_of_the_button_records_nothing_more(ines: Client, odalys: Patient) -> None:
    data = sheet(CUSHION)
    for _ in range(2):
        assert ines.post(at("answer", odalys.public_id), data).status_code == 302
    assert RefillAnswer.objects.count() == 1


# --- seeing to an answer, taking back ---


def test_an_answer_is_read_and_handled(ines: Client, odalys: Patient) -> None:
    given = make_answer(
        odalys, needs_person=True, note="moves in May", answered_by="Rosa Brandt", relation="daughter"
    )
    url = at("answer_handled", given.public_id)
    page = text(ines.get(url))
    for said in ("“moves in May”", "Rosa Brandt, daughter", "cushion: wanted", "by telephone"):
        assert said in page
    assert ines.post(url, {"note": " "}).status_code == 422
    answer = ines.post(f"{url}?back=today", {"note": "new address noted"}, follow=True)
    assert answer.redirect_chain == [("/", 302)]
    assert "Handled: the answer of Odalys Brandt." in text(answer)
    assert "Handled Wed 18 Mar, 09:00 by ines: new address noted" in text(ines.get(url))
    assert "Mark as handled" not in text(ines.get(url))
    late = ines.post(url, {"note": "I called too"})  # of two who had the page open, the second
    assert late.status_code == 422
    assert "already" in text(late)
    assert 'value="I called too"' in late.content.decode()


def test_a_voided_answer_stays_struck_with_its_reason(ines: Client, odalys: Patient) -> None:
    given = make_answer(odalys)
    url = at("answer_void", given.public_id)
    assert ines.post(url, {"reason": ""}).status_code == 422
    page = ines.post(url, {"reason": "another patient"}, follow=True)
    assert "Voided: answer of Mon 16 Mar." in text(page)
    assert "voided: another patient" in text(page)
    history = ines.get(at("history", odalys.public_id))
    assert "voided Wed 18 Mar, 09:00 by ines: another patient" in text(history)
    assert 'class="voided"' in history.content.decode()


# --- calls ---


def test_a_call_is_logged_with_the_day_to_try_again(ines: Client, odalys: Patient) -> None:
    url = at("contact", odalys.public_id)
    data = {"outcome": "left_word", "on": "2026-03-18", "note": "with the wife"}
    page = text(ines.post(url, data, follow=True))
    assert "Call to Odalys Brandt logged: left a message. To try again on Sat 21 Mar." in page
    assert "Left a message telephone · again from Sat 21 Mar" in page
    assert ines.post(url, data | {"outcome": ""}).status_code == 422
    assert Contact.objects.count() == 1


def test_who_does_not_want_calls_is_not_called_again(ines: Client, odalys: Patient) -> None:
    url = at("contact", odalys.public_id)
    assert "does not want to be called." not in text(ines.get(url))
    ines.post(url, {"outcome": "not_wanted", "on": "2026-03-18"})
    assert "This patient does not want to be called." in text(ines.get(url))
    contact = Contact.objects.get()
    ines.post(at("contact_void", contact.public_id), {"reason": "another patient"})
    assert "This patient does not want to be called." not in text(ines.get(url))


# --- the patient's page ---


def test_the_page_shows_what_was_said_last(ines: Client, odalys: Patient) -> None:
    item = make_answer(odalys, handover="ship", items=[{"need": "leaks at the nose"}]).items.get()
    make_contact(odalys, note="rang twice")
    page = text(ines.get(at("patient", odalys.public_id)))
    assert "Mon 16 Mar Yes by telephone · to be shipped" in page
    assert "cushion: leaks at the nose" in page
    assert "Mon 16 Mar No answer telephone" in page
    assert "rang twice" in page
    make_dispense(odalys, on=date(2026, 3, 18), lines=[{"answer_item": item}])
    assert "cushion (given)" in text(ines.get(at("patient", odalys.public_id)))


@pytest.mark.parametrize("times", [1, 40])
def test_the_page_needs_no_more_queries_for_a_long_record(
    ines: Client, odalys: Patient, times: int, django_assert_max_num_queries: DjangoAssertNumQueries
) -> None:
    for _ in range(times):
        make_answer(odalys, items=[{}, {"kind": "mask", "part_code": "A7034"}])
        make_contact(odalys)
        make_consent(odalys)
    with django_assert_max_num_queries(12):
        page = ines.get(at("patient", odalys.public_id))
    assert text(page).count("No answer telephone") == min(times, 3)


@pytest.mark.parametrize("times", [1, 30])
def test_the_history_needs_no_more_queries_for_a_long_record(
    ines: Client, odalys: Patient, times: int, django_assert_max_num_queries: DjangoAssertNumQueries
) -> None:
    for _ in range(times):
        make_answer(odalys)
        make_contact(odalys)
    with django_assert_max_num_queries(14):
        assert text(ines.get(at("history", odalys.public_id))).count("cushion: wanted") == times
