"""The desk's pages: find, see, log, take back."""

import re
from datetime import date
from typing import Any
from uuid import uuid4

import pytest
from django.test import Client
from django.urls import reverse
from pytest_django import DjangoAssertNumQueries

from resupply.models import Consent, Coverage, Dispense, DispenseLine, Event, Location, Patient, PlanLine
from resupply.queries.finding import MOST_FOUND
from resupply.services import plans
from tests.builders import NOW, make_consent, make_dispense, make_event, make_item, make_patient
from tests.cast import Cast

pytestmark = pytest.mark.usefixtures("usual_day")


@pytest.fixture
def cushion(cast: Cast) -> Dispense:
    """Odalys got one cushion on 1 February, billed: overdue since 1 March."""
    lines = [{"billed": True, "billed_to": cast.payer, "item": make_item(name="Nasal cushion", size="M")}]
    dispense = make_dispense(cast.odalys, on=date(2026, 2, 1), lines=lines)
    plans.refresh_plans([cast.odalys.pk], now=NOW)
    return dispense


def at(view: str, *args: object) -> str:
    return reverse(f"desk:{view}", args=args)


def text(answer: Any) -> str:
    """The words of a page, without its marks and the openers of explanations."""
    seen = re.sub(r'<span class="visually-hidden">, why[^<]*</span>', "", answer.content.decode())
    plain = re.sub(r"<[^>]+>", " ", seen)
    return re.sub(r"\s+", " ", plain.replace("Show the steps", ""))


def test_a_form_with_nothing_in_it_is_checked_like_any_other(cast: Cast, ines: Client) -> None:
    """As a program sends it that gives the token against forgery in a header."""
    for name in ("swap", "status", "consent"):
        assert ines.post(at(name, cast.odalys.public_id)).status_code == 422, name


# --- find ---


def test_one_match_is_opened_at_once(cast: Cast, ines: Client) -> None:
    answer = ines.post(at("find"), {"q": "brandt odalys"})
    assert answer["Location"] == at("patient", cast.odalys.public_id)


def test_several_matches_are_listed_for_a_choice(cast: Cast, ines: Client) -> None:
    make_patient(location=cast.north, given_name="Oda", family_name="Brandt", birth_date=date(1990, 5, 6))
    answer = ines.post(at("find"), {"q": "oda bra"})
    assert answer.status_code == 200
    assert "Odalys Brandt born 4 Feb 1961 · ref 1047 · North room" in text(answer)
    assert "Oda Brandt born 6 May 1990" in text(answer)


def test_as_you_type_a_list_comes_back_and_nothing_else(cast: Cast, ines: Client) -> None:
    answer = ines.post(at("find"), {"q": "Bra"}, headers={"HX-Request": "true"})
    assert "<html" not in answer.content.decode()
    assert at("patient", cast.odalys.public_id) in answer.content.decode()
    assert "Nobody found" in text(ines.post(at("find"), {"q": "zzz"}, headers={"HX-Request": "true"}))
    assert text(ines.post(at("find"), {"q": " "}, headers={"HX-Request": "true"})).strip() == ""
    assert "Odalys Brandt" in text(ines.post(at("find"), {"q": "bra\0"}, headers={"HX-Request": "true"}))


def test_as_you_type_a_list_that_is_cut_says_so(cast: Cast, ines: Client) -> None:
    for number in range(MOST_FOUND):
        make_patient(location=cast.north, family_name="Samename")
        found = text(ines.post(at("find"), {"q": "samename"}, headers={"HX-Request": "true"}))
        assert ("These are the first 12." in found) is (number == MOST_FOUND - 1)


def test_what_is_typed_is_never_taken_from_the_address(cast: Cast, ines: Client) -> None:
    assert "Odalys" not in text(ines.get(at("find"), {"q": "brandt"}))


def test_an_empty_search_shows_who_was_served_last(cast: Cast, ines: Client) -> None:
    assert "Nothing has been dispensed here yet." in text(ines.get(at("find")))
    make_dispense(cast.odalys)
    assert "Odalys Brandt" in text(ines.get(at("find")))


# --- the patient's page ---


def test_the_page_says_where_each_line_stands(cast: Cast, ines: Client, cushion: Dispense) -> None:
    page = text(ines.get(at("patient", cast.odalys.public_id)))
    assert "Odalys Brandt born 4 Feb 1961 · ref 1047 · North room · Payer B · therapy since Oct 2024" in page
    assert "17 days overdue" in page
    assert "Nasal cushion, M" in page
    # in use since, worn on, spares, supply ends, may be dispensed, at most, suggested
    assert "Sun 1 Feb Sun 1 Mar 0 Sun 1 Mar now 5 3" in page


def test_a_new_patient_sees_what_will_appear(cast: Cast, ines: Client) -> None:
    page = text(ines.get(at("patient", cast.odalys.public_id)))
    assert "No parts on record yet." in page
    assert "No answer about messages is on record" in page


@pytest.mark.parametrize(
    ("said", "warns", "words"),
    [
        ({}, True, "No answer about messages is on record, so nothing is sent."),
        ({"text": True}, False, ""),
        ({"text": False}, True, "This patient wants no texts, and no answer about e-mail is on record."),
        ({"mail": False}, False, "wants no messages by e-mail, and no yes to texts is on record."),
        ({"mail": False, "text": True}, False, ""),
    ],
)
def test_whether_messages_are_sent_is_said_of_both_ways(
    cast: Cast, ines: Client, said: dict[str, bool], warns: bool, words: str
) -> None:
    for channel, granted in said.items():
        make_consent(cast.odalys, channel=channel, granted=granted)
    page = text(ines.get(at("patient", cast.odalys.public_id)))
    assert ("so no reminder is sent" in page) is warns
    assert ("Text messages welcome" in page) is said.get("text", False)
    letters = text(ines.get(at("messages", cast.odalys.public_id)))
    assert words in letters
    assert letters.count("Record an answer about messages") == 1 + bool(words)


def test_the_header_follows_the_newest_records(cast: Cast, ines: Client) -> None:
    make_consent(cast.odalys)
    make_consent(cast.odalys, granted=False)
    make_dispense(cast.odalys, lines=[{"part_code": "A7034", "family": "Aspen"}])
    make_event(cast.odalys, "refit", family="Birch", on=date(2026, 2, 2))
    make_event(cast.odalys, "pause", on=date(2026, 3, 1))
    page = text(ines.get(at("patient", cast.odalys.public_id)))
    assert "mask Birch" in page
    assert "Messages by e-mail not wanted" in page
    assert "Therapy paused since Sun 1 Mar" in page
    make_dispense(cast.odalys, on=date(2026, 2, 3), lines=[{"part_code": "A7034", "family": "Cedar"}])
    assert "mask Cedar" in text(ines.get(at("patient", cast.odalys.public_id)))


def test_a_pause_that_lies_ahead_has_not_begun(cast: Cast, ines: Client) -> None:
    pause = make_event(cast.odalys, "pause", on=date(2026, 4, 1))
    page = text(ines.get(at("patient", cast.odalys.public_id)))
    assert "Therapy pauses from Wed 1 Apr on. Nothing wears then" in page
    assert "Therapy paused since" not in page
    assert "Therapy pauses from Wed 1 Apr." in text(ines.get(at("pause_end", pause.public_id)))


def test_a_plan_that_ran_out_overnight_is_right_before_the_sweep_comes(cast: Cast, ines: Client) -> None:
    make_dispense(cast.odalys, on=date(2026, 2, 1), lines=[{"quantity": 2}])
    plans.refresh_plans([cast.odalys.pk], now=NOW.replace(month=2, day=20))
    assert PlanLine.objects.get().in_use_since == date(2026, 2, 1)
    page = text(ines.get(at("patient", cast.odalys.public_id)))
    assert "Sun 1 Mar Wed 1 Apr 0 Wed 1 Apr" in page
    assert PlanLine.objects.get().in_use_since == date(2026, 3, 1)


def history_of(cast: Cast, times: int) -> None:
    for number in range(times):
        day = date(2024, 1, 1).replace(month=1 + number % 12, year=2020 + number // 12)
        make_dispense(cast.odalys, on=day, lines=[{}, {"part_code": "A7034", "contains": ["A7035"]}])
        make_event(cast.odalys, "swap", on=day)
    plans.refresh_plans([cast.odalys.pk], now=NOW)


@pytest.mark.parametrize("times", [0, 1, 60])
def test_at_most_twelve_queries_whatever_the_history(
    cast: Cast, ines: Client, times: int, django_assert_max_num_queries: DjangoAssertNumQueries
) -> None:
    history_of(cast, times)
    with django_assert_max_num_queries(12):
        ines.get(at("patient", cast.odalys.public_id))


# --- dispense ---


def sheet(cast: Cast, *rows: dict[str, object], **over: object) -> dict[str, object]:
    """What the form sends."""
    data: dict[str, object] = {
        "dispensed_on": "2026-03-18",
        "location": cast.north.pk,
        "given": "in_person",
        "supplied_by": "us",
        "form_key": str(uuid4()),
        "rows-TOTAL_FORMS": len(rows),
        "rows-INITIAL_FORMS": 0,
    }
    for number, row in enumerate(rows):
        data |= {f"rows-{number}-{name}": value for name, value in row.items()}
    return data | over


CUSHIONS = {"kind": "cushion", "part": "code:A7032", "quantity": 3}


def test_the_form_opens_on_what_may_go_out_today(cast: Cast, ines: Client, cushion: Dispense) -> None:
    item = cushion.lines.get().item
    assert item is not None
    answer = ines.get(at("dispense", cast.odalys.public_id))
    rows = answer.context["rows"]
    assert [(row.form["part"].value(), row.form["quantity"].value()) for row in rows] == [
        (f"item:{item.pk}", "3"),
        (None, None),
        (None, None),
    ]
    assert "At most 5 today · 3 suggested" in text(answer)
    assert answer.context["form"]["dispensed_on"].value() == date(2026, 3, 18)


def test_a_dispense_leads_to_the_changed_plan_and_says_what_was_logged(
    cast: Cast, ines: Client, cushion: Dispense
) -> None:
    rows = [CUSHIONS, {"part": "code:A7035", "quantity": 1}, {"part": "", "quantity": ""}]
    answer = ines.post(at("dispense", cast.odalys.public_id), sheet(cast, *rows), follow=True)
    page = text(answer)
    assert answer.redirect_chain == [(at("patient", cast.odalys.public_id), 302)]
    assert "Dispensed on Wed 18 Mar: 3 × cushion, 1 × headgear." in page
    assert "overdue" not in page
    newest = Dispense.objects.latest("pk")
    assert newest.recorded_by == cast.desk.user
    assert list(newest.lines.values_list("billed_to__name", flat=True)) == ["Payer B", "Payer B"]
    assert PlanLine.objects.get(kind="cushion").supply_ends_on == date(2026, 6, 18)


def test_a_second_press_of_the_button_logs_nothing_more(cast: Cast, ines: Client) -> None:
    data = sheet(cast, CUSHIONS)
    for _ in range(2):
        assert ines.post(at("dispense", cast.odalys.public_id), data).status_code == 302
    assert DispenseLine.objects.count() == 1


MENDS = [
    ({"quantity": 7}, "At most 6 of these may be dispensed on that day.", "more than the limit"),
    ({"quantity": 0}, "Enter a quantity from 1 to 500.", "nothing"),
    ({"quantity": -1}, "Enter a quantity from 1 to 500.", "less than nothing"),
    ({"quantity": "two"}, "Enter a whole number.", "a word"),
    ({"part": ""}, "Choose the part.", "no part"),
    ({"part": "code:A9999"}, "“code:A9999” is not offered here.", "an unknown code"),
    ({"expires_on": "2026-03-17"}, "This part expired on Tue 17 Mar 2026.", "expired"),
    ({"first_use_on": "2026-03-17"}, "The first use cannot come before", "first use before"),
    ({"expires_on": "31.31.2026"}, "This is no date. Enter it as 2026-02-28.", "no date"),
]


@pytest.mark.parametrize(("over", "says", "what"), MENDS, ids=[mend[2] for mend in MENDS])
def test_what_has_to_be_mended_is_said_and_nothing_typed_is_lost(
    cast: Cast, ines: Client, over: dict[str, object], says: str, what: str
) -> None:
    data = sheet(
        cast, CUSHIONS | {"lot": "LOT-77"} | over, {"part": "code:A7035", "quantity": 1, "lot": "H-1"}
    )
    answer = ines.post(at("dispense", cast.odalys.public_id), data)
    page = answer.content.decode()
    assert answer.status_code == 422
    assert says in text(answer)
    assert 'role="alert"' in page
    assert 'value="LOT-77"' in page
    assert 'value="H-1"' in page
    assert str(data["form_key"]) in page
    assert not Dispense.objects.exists()


@pytest.mark.parametrize(
    ("over", "says"),
    [
        ({"dispensed_on": "2026-03-19"}, "Thu 19 Mar 2026 has not come yet."),
        ({"dispensed_on": "1961-02-03"}, "lies before the patient"),
        ({"dispensed_on": ""}, "Enter a date."),
    ],
)
def test_impossible_days(cast: Cast, ines: Client, over: dict[str, object], says: str) -> None:
    answer = ines.post(at("dispense", cast.odalys.public_id), sheet(cast, CUSHIONS, **over))
    assert answer.status_code == 422
    assert says in text(answer)
    assert not Dispense.objects.exists()


def test_a_form_without_quantities_says_so(cast: Cast, ines: Client) -> None:
    answer = ines.post(at("dispense", cast.odalys.public_id), sheet(cast, {"part": "code:A7032"}))
    assert "Enter a quantity for at least one part." in text(answer)


def test_outside_the_limits_with_a_typed_reason(cast: Cast, ines: Client, cushion: Dispense) -> None:
    rows = CUSHIONS | {"quantity": 7, "exception_reason": "travels for four months", "notice": "not_owed"}
    page = text(ines.post(at("dispense", cast.odalys.public_id), sheet(cast, rows), follow=True))
    assert "Outside the limits (more than the limit): travels for four months · no notice is owed" in page


def test_one_more_row_keeps_what_was_typed_and_saves_nothing(cast: Cast, ines: Client) -> None:
    data = sheet(cast, CUSHIONS | {"quantity": "many", "lot": "LOT-77"}, more="1")
    answer = ines.post(at("dispense", cast.odalys.public_id), data)
    assert answer.status_code == 200
    rows = answer.context["rows"]
    assert [row.form["lot"].value() for row in rows] == ["LOT-77", None]
    assert rows[0].form["quantity"].value() == "many"
    assert str(data["form_key"]) in answer.content.decode()
    assert not Dispense.objects.exists()


def test_a_room_one_does_not_work_in_cannot_be_chosen(cast: Cast, ines: Client) -> None:
    answer = ines.post(at("dispense", cast.odalys.public_id), sheet(cast, CUSHIONS, location=cast.south.pk))
    assert answer.status_code == 422
    assert not Dispense.objects.exists()


# --- what happened, and taking back ---


def test_swap_loss_pause_refit_and_void(cast: Cast, ines: Client, cushion: Dispense) -> None:
    make_dispense(cast.odalys, on=date(2026, 2, 2))
    plans.refresh_plans([cast.odalys.pk], now=NOW)
    person = cast.odalys.public_id
    for view, data, says in [
        ("swap", {"kind": "cushion", "on": "2026-02-20"}, "Swap logged: cushion on Fri 20 Feb."),
        ("loss", {"kind": "cushion", "on": "2026-03-17"}, "Loss logged: cushion on Tue 17 Mar."),
        ("refit", {"family": "Birch", "on": "2026-03-18"}, "Refit logged: Birch on Wed 18 Mar."),
        ("pause", {"on": "2026-03-18", "until": ""}, "Pause logged from Wed 18 Mar."),
    ]:
        assert says in text(ines.post(at(view, person), data, follow=True)), view
    pause = Event.objects.get(event="pause")
    page = text(ines.post(at("pause_end", pause.public_id), {"until": "2026-03-25"}, follow=True))
    assert "Pause ended: therapy again from Wed 25 Mar." in page
    swap = Event.objects.get(event="swap")
    assert "Say why" not in page
    assert ines.post(at("event_void", swap.public_id), {"reason": " "}).status_code == 422
    page = text(ines.post(at("event_void", swap.public_id), {"reason": "another patient"}, follow=True))
    assert "Voided: part changed on Fri 20 Feb." in page
    assert "by ines: another patient" in page


def test_a_swap_without_a_spare_says_what_to_do_and_can_be_kept(
    cast: Cast, ines: Client, cushion: Dispense
) -> None:
    data = {"kind": "cushion", "on": "2026-03-18"}
    answer = ines.post(at("swap", cast.odalys.public_id), data)
    assert answer.status_code == 422
    assert "No spare of this part is on record for that day. Log the dispense" in text(answer)
    ines.post(at("swap", cast.odalys.public_id), data | {"keep_anyway": "on"})
    assert Event.objects.filter(event="swap").count() == 1


def test_a_voided_dispense_stays_on_the_page_struck_and_labelled(
    cast: Cast, ines: Client, cushion: Dispense
) -> None:
    answer = ines.post(at("dispense_void", cushion.public_id), {"reason": "wrong patient"}, follow=True)
    assert "Voided: dispense of Sun 1 Feb." in text(answer)
    assert "by ines: wrong patient" in text(answer)
    assert 'class="voided"' in answer.content.decode()
    assert "No parts on record yet." in text(answer)
    again = ines.post(at("dispense_void", cushion.public_id), {"reason": "once more"})
    assert "This record has been voided already." in text(again)


def test_one_part_of_a_dispense_is_voided(cast: Cast, ines: Client) -> None:
    dispense = make_dispense(cast.odalys, lines=[{}, {"part_code": "A7035"}])
    ines.post(at("line_void", dispense.public_id, 1), {"reason": "size too small"})
    assert [line.void_reason for line in dispense.lines.all()] == ["", "size too small"]


# --- people ---

DETAILS = {
    "given_name": "Zoë",
    "family_name": "Nuñez",
    "birth_date": "1955-07-09",
    "reference": "2001",
    "language": "en",
    "time_zone": "America/Denver",
    "cleaning_weekday": "6",
    "cleaning_month_day": "1",
}


def test_a_new_patient_can_be_found_at_once(cast: Cast, ines: Client) -> None:
    data = DETAILS | {"location": cast.north.pk, "payer": cast.payer.pk}
    answer = ines.post(at("patient_new"), data, follow=True)
    assert "Patient added." in text(answer)
    person = Patient.objects.get(reference="2001")
    assert ines.post(at("find"), {"q": "nunez zoe"})["Location"] == at("patient", person.public_id)
    assert Coverage.objects.get(patient=person).payer == cast.payer


def test_a_reference_on_record_is_refused_at_its_field(cast: Cast, ines: Client) -> None:
    answer = ines.post(at("patient_new"), DETAILS | {"location": cast.north.pk, "reference": "1047"})
    assert answer.status_code == 422
    assert answer.context["form"].errors["reference"]
    assert 'value="Zoë"' in answer.content.decode()


def test_a_zone_from_an_old_list_stays_when_details_are_saved(cast: Cast, ines: Client) -> None:
    Patient.objects.filter(pk=cast.odalys.pk).update(time_zone="EST5EDT")
    form = ines.get(at("edit", cast.odalys.public_id)).context["form"]
    assert form["time_zone"].value() == "EST5EDT"
    assert 'value="EST5EDT" selected' in str(form["time_zone"])


def test_details_status_payer_and_consent(cast: Cast, ines: Client) -> None:
    person = cast.odalys.public_id
    data = DETAILS | {"location": cast.north.pk, "reference": "1047", "family_name": "Brand"}
    assert "Details saved." in text(ines.post(at("edit", person), data, follow=True))
    page = text(ines.post(at("coverage", person), {"payer": "", "starts_on": "2026-03-18"}, follow=True))
    assert "North room · the patient pays" in page
    consent = {"channel": "mail", "granted": "yes", "given_on": "2026-03-18", "how": "at the desk"}
    page = text(ines.post(at("consent", person), consent, follow=True))
    assert "Answer recorded: messages by e-mail are welcome." in page
    ines.post(at("consent", person), consent | {"granted": "no"})
    refused = consent | {"channel": "phone", "purpose": "swap", "granted": "no"}
    page = text(ines.post(at("consent", person), refused, follow=True))
    assert "Answer recorded: no calls about part changes." in page
    assert list(Consent.objects.order_by("pk").values_list("granted", flat=True)) == [True, False, False]
    page = text(ines.post(at("status", person), {"status": "ended"}, follow=True))
    assert "Therapy ended This patient is on no list" in page
    assert "Zoë Brand" in page


def test_history_shows_everything_and_messages_say_when_none(
    cast: Cast, ines: Client, cushion: Dispense
) -> None:
    history_of(cast, 9)
    page = text(ines.get(at("history", cast.odalys.public_id)))
    assert page.count("1 × cushion") == 10
    assert "from Wed 1 Jan 2020 Payer B" in page
    assert "No messages yet." in text(ines.get(at("messages", cast.odalys.public_id)))


def test_the_demo_mail_page_is_of_the_demo_only(ines: Client, settings: Any) -> None:
    assert "No mail yet." in text(ines.get(at("mail")))
    settings.DEMO = False
    assert ines.get(at("mail")).status_code == 404


# --- the first page ---


def test_the_first_page_names_who_is_ready_and_who_fell_behind(
    cast: Cast, ines: Client, cushion: Dispense
) -> None:
    ready = make_patient(location=cast.north, given_name="Rea", family_name="Dy")
    make_dispense(ready, on=date(2026, 2, 20))
    plans.refresh_plans([ready.pk], now=NOW)
    page = text(ines.get(reverse("home")))
    assert "Ready to dispense 1 Rea Dy cushion · supply ends Fri 20 Mar" in page
    assert "Fallen behind 1 Odalys Brandt cushion · supply ended Sun 1 Mar" in page
    assert "Overdue list" not in page
    cast.desk.locations.set([cast.south])
    page = text(ines.get(reverse("home")))
    assert "No refill is ready." in page
    assert "Nobody is overdue." in page


# --- why ---


def test_why_opens_the_steps_in_place_or_as_a_page(cast: Cast, ines: Client, cushion: Dispense) -> None:
    page = ines.get(at("patient", cast.odalys.public_id)).content.decode()
    whole = at("why", cast.odalys.public_id, "cushion")
    one = at("why_value", cast.odalys.public_id, "cushion", "supply_ends_on")
    assert f'hx-get="{whole}"' in page
    assert f'hx-get="{one}"' in page
    part = ines.get(one, headers={"HX-Request": "true"})
    assert "<html" not in part.content.decode()
    assert "Supply ends Sun 1 Mar" in text(part)
    assert "Started Sun 1 Feb with a life of 1 month, until Sun 1 Mar shipped life of A7032" in text(part)
    full = text(ines.get(whole))
    assert "Cushion: why Odalys Brandt" in full
    for said in ("Coverage opens Sun 1 Feb", "At most today 5", "Suggested today 3", "State Overdue"):
        assert said in full
    assert "Days overdue 17" in full
    assert not re.search(r" from \d{4}-", full)  # days of rules too are said as people say them


def test_there_is_no_why_of_what_is_not_there(cast: Cast, ines: Client, cushion: Dispense) -> None:
    for view, *rest in (("why", "mask"), ("why", "sofa"), ("why_value", "cushion", "colour")):
        assert ines.get(at(view, cast.odalys.public_id, *rest)).status_code == 404, rest


def test_a_refit_offers_the_families_on_the_shelf(cast: Cast, ines: Client) -> None:
    make_item(family="Birch")
    make_item(family="Aspen")
    make_item(family="Cedar", is_offered=False)
    page = ines.get(at("refit", cast.odalys.public_id)).content.decode()
    assert 'list="family-words"' in page
    assert '<option value="Aspen"><option value="Birch"></datalist>' in page


def test_a_zone_that_this_machine_does_not_know_keeps_nobody_from_working(cast: Cast, ines: Client) -> None:
    Location.objects.update(time_zone="Nowhere/At-all")
    Patient.objects.update(time_zone="Nowhere/At-all")
    for address in (reverse("home"), reverse("desk:patient", args=[cast.odalys.public_id])):
        assert ines.get(address).status_code == 200
