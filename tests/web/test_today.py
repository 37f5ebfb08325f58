"""Today: the work lists on the first page, and each as a page, as CSV and on paper."""

import csv
import re
from datetime import date
from typing import Any

import pytest
import time_machine
from django.test import Client
from django.urls import reverse
from pytest_django import DjangoAssertNumQueries

from resupply.models import MagnetScreen, Patient
from resupply.services import back_orders, plans
from resupply.services.standing import settle
from resupply.web import worklists
from resupply.web.today_lists import LISTS, SHOWN
from tests import builders
from tests.builders import NOW, make_contact, make_dispense, make_item, make_patient, make_report
from tests.cast import Cast
from tests.web.desk.test_desk import text

pytestmark = pytest.mark.usefixtures("usual_day")

HOME = "/"


def make_answer(patient: Patient, **over: Any) -> None:
    builders.make_answer(patient, **over)
    settle([patient.pk])


def with_cushion(patient: Patient, *, on: date = date(2026, 2, 1)) -> Patient:
    make_dispense(patient, on=on)
    plans.refresh_plans([patient.pk], now=NOW)
    return patient


def everything(cast: Cast, patient: Patient) -> None:
    """The patient stands on all five lists."""
    make_answer(with_cushion(patient), needs_person=True, note="moves in May", contacted_on=date(2026, 3, 9))
    make_report(patient)
    make_dispense(patient, on=date(2026, 1, 2), lines=[{"part_code": "A7038"}])
    plans.refresh_plans([patient.pk], now=NOW)
    back_orders.back_order(
        patient=patient, location=patient.location, item=make_item(kind="tubing", part_code="A7037"),
        kind="tubing", part_code="A7037", quantity=1, by=None, now=NOW,
    )  # fmt: skip


def test_an_empty_day_says_when_people_appear(ines: Client) -> None:
    page = text(ines.get(HOME))
    for shown in LISTS.values():
        assert f"{shown.title} 0" in page
        assert shown.empty in page
        assert shown.how in page


def test_each_section_leads_to_its_form(cast: Cast, ines: Client) -> None:
    everything(cast, cast.odalys)
    page = ines.get(HOME).content.decode()
    answer, person = cast.odalys.refill_answers.get().public_id, cast.odalys.public_id
    for address in (
        f"{reverse('desk:dispense', args=[person])}?answer={answer}",
        f"{reverse('desk:answer_handled', args=[answer])}?back=today",
        f"{reverse('desk:report_handled', args=[cast.odalys.reports.get().public_id])}?back=today",
        f"{reverse('desk:answer', args=[person])}?back=today",
        f"{reverse('desk:contact', args=[person])}?back=today",
        f"{reverse('desk:dispense', args=[person])}?back_order=",
    ):
        assert address in page, address
    words = text(ines.get(HOME))
    assert "Said yes 1" in words
    assert "“moves in May”" in words
    assert "disposable filter ended Mon 2 Feb" in words
    assert "never asked about e-mail" in words


def test_a_yes_shows_from_when_it_may_go_out(cast: Cast, ines: Client) -> None:
    with_cushion(cast.odalys, on=date(2026, 3, 5))
    make_answer(cast.odalys)
    assert "from Thu 26 Mar" in text(ines.get(HOME))


def test_the_place_is_chosen_in_the_address(cast: Cast, marta: Client) -> None:
    everything(cast, cast.odalys)
    make_answer(with_cushion(cast.tevin))
    assert "Said yes 2" in text(marta.get(HOME))
    north = text(marta.get(HOME, {"location": cast.north.pk}))
    assert ("Odalys Brandt" in north, "Tevin Okafor" in north) == (True, False)
    page = marta.get(HOME, {"location": cast.north.pk}).content.decode()
    assert page.count(f"?back=today&amp;location={cast.north.pk}") == 4  # and it is kept on the way back
    assert "Tevin Okafor" in text(marta.get(HOME, {"location": "zzz"}))


def test_lists_of_today_are_in_its_place(ines: Client) -> None:
    for at in ("/", "/today/calls/", "/today/calls/print/", "/desk/texts/", "/desk/undelivered/"):
        page = ines.get(at).content.decode()
        assert re.findall(r'aria-current="page">([^<]*)<', page) == ["Today"], at


def test_another_room_cannot_be_chosen(cast: Cast, ines: Client) -> None:
    make_answer(with_cushion(cast.tevin))
    for page in (
        ines.get(HOME, {"location": cast.south.pk}),
        ines.get(reverse("worklist", args=["said-yes"]), {"location": cast.south.pk}),
        ines.get(reverse("worklist_print", args=["said-yes"]), {"location": cast.south.pk}),
    ):
        assert "Tevin" not in text(page)


def test_an_urgent_call_stands_first(cast: Cast, ines: Client) -> None:
    MagnetScreen.objects.all().delete()
    MagnetScreen.objects.create(
        patient=cast.odalys, asked_on=date(2026, 3, 17), wearer="yes", close_contact="no", recorded_at=NOW
    )
    mask = make_item(kind="mask", part_code="A7034", magnetic="yes")
    make_dispense(cast.odalys, lines=[{"item": mask, "part_code": "A7034"}])
    plans.refresh_plans([cast.odalys.pk], now=NOW)
    page = text(ines.get(HOME))
    assert "Urgent: call Odalys Brandt" in page
    assert page.index("Urgent") < page.index("Said yes")


@pytest.mark.parametrize("number", [1, 30])
def test_as_many_queries_for_thirty_patients_as_for_one(
    cast: Cast, ines: Client, number: int, django_assert_max_num_queries: DjangoAssertNumQueries
) -> None:
    for _ in range(number):
        everything(cast, make_patient(location=cast.north))
    with django_assert_max_num_queries(17):  # the row of the read log is one
        page = ines.get(HOME)
    assert [len(section.groups) for section in page.context["sections"]] == [number] * 5
    if number > SHOWN:
        assert "The whole list" in text(page)


# --- the lists as pages ---


@pytest.mark.parametrize("slug", LISTS)
def test_every_list_is_a_page_in_every_order_and_on_paper(
    cast: Cast, ines: Client, slug: str, django_assert_max_num_queries: DjangoAssertNumQueries
) -> None:
    empty = text(ines.get(reverse("worklist", args=[slug])))
    assert LISTS[slug].how in empty
    everything(cast, cast.odalys)
    for order in (*LISTS[slug].orders, "no such order"):
        with django_assert_max_num_queries(8):
            page = text(ines.get(reverse("worklist", args=[slug]), {"order": order}))
        assert "Odalys Brandt" in page
        assert "1 patient" in page
    paper = text(ines.get(reverse("worklist_print", args=[slug]), {"order": "name"}))
    assert "Odalys Brandt" in paper
    assert "By name · 1 patient" in paper


def test_who_may_not_download_a_list_is_not_sent_to(
    cast: Cast, ines: Client, marta: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    for _ in range(2):
        with_cushion(make_patient(location=cast.north), on=date(2026, 2, 1))
    monkeypatch.setattr(worklists, "LISTED", 1)
    for view in ("worklist", "worklist_print"):
        address = reverse(view, args=["calls"])
        assert "Choose a location for the rest." in text(ines.get(address))
        assert "Choose a location, or download the list, for the rest." in text(marta.get(address))


def test_there_is_no_other_list(ines: Client) -> None:
    assert ines.get(reverse("worklist", args=["gossip"])).status_code == 404


def test_orders_do_what_they_say(cast: Cast, marta: Client) -> None:
    for name, on in (("Cole", date(2026, 2, 3)), ("Abel", date(2026, 2, 1)), ("Bond", date(2026, 2, 2))):
        with_cushion(make_patient(location=cast.north, family_name=name), on=on)

    def names(order: str) -> list[str]:
        page = marta.get(reverse("worklist", args=["calls"]), {"order": order})
        return [group.patient.family_name for group in page.context["section"].groups]

    assert names("") == ["Abel", "Bond", "Cole"]
    assert names("latest") == ["Cole", "Bond", "Abel"]
    assert names("name") == ["Abel", "Bond", "Cole"]


@pytest.mark.parametrize("slug", LISTS)
def test_a_list_as_csv_whose_cells_no_spreadsheet_runs(cast: Cast, marta: Client, slug: str) -> None:
    Patient.objects.filter(pk=cast.odalys.pk).update(family_name="=cmd|' /C calc'!A0")
    everything(cast, Patient.objects.get(pk=cast.odalys.pk))
    answer: Any = marta.get(reverse("worklist_csv", args=[slug]))
    rows = list(csv.DictReader(b"".join(answer.streaming_content).decode().splitlines()))
    assert len(rows) == 1
    assert rows[0]["family_name"] == "'=cmd|' /C calc'!A0"
    assert rows[0]["birth_date"] == "1961-02-04"
    assert answer["Content-Disposition"] == f'attachment; filename="{slug}-2026-03-18.csv"'
    assert answer["Cache-Control"] == "no-store"


def test_only_who_may_take_lists_away_is_offered_the_csv(cast: Cast, ines: Client, marta: Client) -> None:
    address = reverse("worklist", args=["calls"])
    assert "Download as CSV" in text(marta.get(address))
    assert "Download as CSV" not in text(ines.get(address))


# --- what a call says ---


def test_where_calling_needs_permission_the_list_says_so(cast: Cast, ines: Client) -> None:
    """A supplier may call a Medicare patient without written permission within 15 months of a supply (Social
    Security Act 1834(a)(17); from memory).
    """
    with_cushion(cast.odalys, on=date(2024, 12, 19))
    says = "where Medicare pays, call only with written permission"
    assert says not in text(ines.get(HOME))
    with time_machine.travel(NOW.replace(day=19), tick=False):
        ines.force_login(cast.desk.user)
        assert says in text(ines.get(HOME))
    make_contact(cast.odalys, outcome="wrong_number")
    assert "wrong number or address Mon 16 Mar" in text(ines.get(HOME))
