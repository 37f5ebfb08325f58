"""Recalls on screen: who records them, what a page shows of whom, and what it keeps from whom."""

import re
from datetime import date

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from resupply.models import Recall
from resupply.queries import recalls as queries
from tests.builders import NOW, make_dispense, make_item, make_patient, make_recall
from tests.cast import Cast
from tests.web.pages import text

pytestmark = pytest.mark.usefixtures("usual_day")


def at(view: str, *args: object) -> str:
    return reverse(f"manager:{view}", args=args)


def sent(**over: str) -> dict[str, str]:
    return {"title": "Clip breaks", "issued_on": "2026-03-10", "source": "maker's letter", "lot": "D1"} | over


def test_a_manager_records_a_recall(cast: Cast, marta: Client) -> None:
    item = make_item(name="Cushion")
    answer = marta.post(at("recall_new"), sent(item=str(item.pk), advice="Stop using it."))
    recall = Recall.objects.get()
    assert answer["Location"] == at("recall", recall.public_id)
    assert (recall.item, recall.lot, recall.recorded_by) == (item, "D1", cast.manager.user)
    page = text(marta.get(at("recall", recall.public_id)))
    assert "Clip breaks Recall issued Tue 10 Mar · Cushion · lot D1" in page
    assert "It stands. Nothing that it names is dispensed, whatever reason is typed." in page
    assert "Stop using it." in page


def test_a_refused_form_keeps_what_was_typed(marta: Client) -> None:
    answer = marta.post(at("recall_new"), sent(lot="", advice="Stop using it."))
    assert answer.status_code == 422
    assert "Say what is recalled: an item, a family, a code or a lot." in text(answer)
    assert "Stop using it." in answer.content.decode()
    assert 'value="Clip breaks"' in answer.content.decode()
    late = marta.post(at("recall_new"), sent(issued_on="2026-03-19"))
    assert "Thu 19 Mar 2026 has not come yet." in text(late)
    assert not Recall.objects.exists()


def test_who_was_given_it_is_shown_of_ones_own_locations(cast: Cast, marta: Client) -> None:
    for person in (cast.odalys, cast.tevin):
        make_dispense(person, on=date(2026, 3, 1), lines=[{"lot": "D1", "quantity": 2}])
    recall = make_recall(lot="D1")
    everywhere = text(marta.get(at("recall", recall.public_id)))
    assert "Dispensed before 2 lines, voided ones left out" in everywhere
    assert "Odalys Brandt born 4 Feb 1961 · ref 1047 Sun 1 Mar A7032 D1 2 2" in everywhere
    assert "Tevin Okafor" in everywhere
    ines = Client()
    ines.force_login(cast.desk.user)
    here = text(ines.get(at("recall", recall.public_id)))
    assert "Odalys Brandt" in here
    assert "Tevin" not in here
    assert "The newest first, of your locations." in here
    assert "Dispensed before 2 lines" in here
    assert "Void the recall" not in here


def test_more_lines_go_on_the_next_page(cast: Cast, marta: Client) -> None:
    recall = make_recall(lot="D1")
    for _ in range(queries.PAGE + 1):
        make_dispense(cast.tevin, lines=[{"lot": "D1"}])
    first = marta.get(at("recall", recall.public_id))
    assert (len(first.context["lines"]), first.context["older_url"]) == (queries.PAGE, "?page=2")
    second = marta.get(at("recall", recall.public_id), {"page": "2"})
    assert (len(second.context["lines"]), second.context["newer_url"]) == (1, "?page=1")
    assert (
        marta.get(at("recall", recall.public_id), {"page": "-3x"}).context["lines"] == first.context["lines"]
    )


def test_a_void_needs_a_reason_and_stays_readable(cast: Cast, marta: Client) -> None:
    recall = make_recall(title="Clip breaks", lot="D1")
    refused = marta.post(at("recall_void", recall.public_id), {"reason": " "})
    assert refused.status_code == 422
    assert not Recall.objects.get().is_voided
    marta.post(at("recall_void", recall.public_id), {"reason": "lifted by the maker"})
    page = text(marta.get(at("recall", recall.public_id)))
    assert "Voided Wed 18 Mar, 09:00 by marta: lifted by the maker" in page
    assert "Clip breaks" in text(marta.get(at("recalls")))
    again = marta.post(at("recall_void", recall.public_id), {"reason": "again"})
    assert "This record has been voided already." in text(again)


def test_the_list_has_those_that_stand_first(marta: Client) -> None:
    make_recall(title="Lifted", issued_on=date(2026, 3, 9), voided_at=NOW, void_reason="lifted")
    make_recall(title="Old", issued_on=date(2025, 3, 1), family="Aspen", lot="")
    make_recall(title="New", issued_on=date(2026, 3, 1), part_code="A7032")
    page = marta.get(at("recalls"))
    assert [recall.title for recall in page.context["recalls"]] == ["New", "Old", "Lifted"]
    assert "code A7032 · lot" not in text(page)
    assert "family Aspen" in text(page)


def test_desk_and_therapist_see_and_record_nothing(cast: Cast) -> None:
    recall = make_recall()
    for who in ("desk", "therapist"):
        client = Client()
        client.force_login(cast.user(who))
        assert client.get(at("recalls")).status_code == 200
        assert client.post(at("recall_new"), sent()).status_code == 403
        assert client.post(at("recall_void", recall.public_id), {"reason": "x"}).status_code == 403
    assert Recall.objects.get() == recall
    assert not Recall.objects.get().is_voided


def test_the_same_queries_for_one_row_and_for_thirty(cast: Cast, marta: Client) -> None:
    recall = make_recall(lot="D1")
    for address in (at("recall", recall.public_id), at("recalls")):
        counts = []
        for number in (1, 29):
            for _ in range(number):
                make_dispense(make_patient(location=cast.south), lines=[{"lot": "D1", "item": make_item()}])
                make_recall(item=make_item(), recorded_by=cast.manager.user)
            with CaptureQueriesContext(connection) as asked:
                assert marta.get(address).status_code == 200
            counts.append(len(asked))
        assert counts[0] == counts[1], address


def test_no_patient_data_in_any_address_of_the_page(cast: Cast, marta: Client) -> None:
    make_dispense(cast.odalys, lines=[{"lot": "D1"}])
    page = marta.get(at("recall", make_recall(lot="D1").public_id)).content.decode()
    links = re.findall(r'href="([^"]*)"', page)
    assert reverse("desk:patient", args=[cast.odalys.public_id]) in links
    assert not [link for link in links if "Brandt" in link or "1047" in link]
