"""Pages of a recall's reach: open a notice, call, record, close; as CSV and on paper."""

import csv
import io
from collections.abc import Callable
from datetime import date

import pytest
from django.test import Client
from django.urls import reverse

from resupply.models import Message, Recall, RecallContact, RecallNotice
from resupply.web.manager import recall_reach
from tests.builders import make_consent, make_dispense, make_item, make_recall
from tests.cast import Cast
from tests.web.pages import text

pytestmark = pytest.mark.django_db


@pytest.fixture
def recall(cast: Cast) -> Recall:
    """Both patients were given lot R-1; Odalys agreed to e-mail."""
    item = make_item(name="Aspen cushion", size="M")
    for person in (cast.odalys, cast.tevin):
        make_dispense(person, lines=[{"item": item, "lot": "R-1", "quantity": 2}])
    make_consent(cast.odalys)
    return make_recall(title="Cushions of lot R-1", lot="R-1", advice="Return the part.")


def test_from_the_recall_to_the_closed_notice(
    cast: Cast, recall: Recall, signed_in: Callable[[str], Client]
) -> None:
    manager, place = signed_in("manager"), [recall.public_id]
    address = reverse("manager:recall_reach", args=place)
    assert address in manager.get(reverse("manager:recall", args=place)).content.decode()
    page = text(manager.get(address))
    assert "No notice is open: nobody was written to" in page
    assert "this list tells nobody to stop" in page
    before = text(manager.get(reverse("manager:notice_open", args=place)))
    assert "given what it names: 2. Of these, 1 agreed to messages" in before
    assert manager.post(reverse("manager:notice_open", args=place)).status_code == 302
    assert Message.objects.get().patient == cast.odalys
    page = text(manager.get(address))
    assert "0 of 2 people reached or written off" in page
    assert "Tevin Okafor" in page
    assert "has not agreed to e-mail or texts" in page or "no e-mail address" in page
    assert "Odalys Brandt" not in page  # her message is on its way
    assert "message on its way" in text(manager.get(f"{address}?show=all"))
    close = reverse("manager:notice_close", args=place)
    assert "2 of 2 people are not reached yet." in text(manager.post(close, {"note": ""}))
    for person, outcome in ((cast.tevin, "returned"), (cast.odalys, "reached")):
        contact = reverse("manager:recall_contact", args=[recall.public_id, person.public_id])
        values = {"outcome": outcome, "channel": "phone", "on": "2026-01-02", "note": "spoke to her"}
        assert manager.post(contact, values).status_code == 302
    assert "2 of 2 people reached or written off" in text(manager.get(f"{address}?show=settled"))
    assert manager.post(close, {"note": "reported"}).status_code == 302
    assert RecallNotice.objects.get().closed_note == "reported"
    assert "Closed" in text(manager.get(address))
    again = reverse("manager:notice_again", args=place)
    assert again in manager.get(address).content.decode()
    assert manager.post(again, {"reason": ""}).status_code == 422
    assert manager.post(again, {"reason": "one more lot was named"}).status_code == 302
    page = text(manager.get(address))
    assert "Close the notice" in page
    assert "Open the notice again" not in page


def test_the_desk_sees_and_records_its_own(
    cast: Cast, recall: Recall, signed_in: Callable[[str], Client]
) -> None:
    signed_in("manager").post(reverse("manager:notice_open", args=[recall.public_id]))
    desk = signed_in("desk")
    page = text(desk.get(reverse("manager:recall_reach", args=[recall.public_id]) + "?show=all"))
    assert "0 of 1 person reached or written off , of your locations" in page
    assert "Okafor" not in page
    contact = reverse("manager:recall_contact", args=[recall.public_id, cast.odalys.public_id])
    refused = desk.post(contact, {"outcome": "written_off", "on": "2026-01-02"})
    assert (refused.status_code, "Say why" in text(refused)) == (422, True)
    assert (
        desk.post(contact, {"outcome": "no_answer", "channel": "phone", "on": "2026-01-02"}).status_code
        == 302
    )
    made = RecallContact.objects.get()
    assert made.recorded_by == cast.desk.user
    void = reverse("manager:recall_contact_void", args=[made.public_id])
    assert desk.post(void, {"reason": "wrong person"}).status_code == 302
    assert "voided" in text(desk.get(contact))
    assert (
        desk.get(reverse("manager:recall_contact", args=[recall.public_id, cast.tevin.public_id])).status_code
        == 404
    )


def test_the_list_as_csv_and_on_paper(cast: Cast, recall: Recall, signed_in: Callable[[str], Client]) -> None:
    manager, place = signed_in("manager"), [recall.public_id]
    table = manager.get(reverse("manager:recall_reach_csv", args=place) + "?show=all")
    lines = b"".join(table).decode().splitlines()  # type: ignore[call-overload]
    assert lines[0].startswith("patient_ref,given_name")
    assert {line.split(",")[0] for line in lines[1:]} == {"1047", "1048"}
    assert "R-1,1,open" in lines[1]  # the second unit is in use, worn since
    paper = text(manager.get(reverse("manager:recall_reach_print", args=place)))
    assert "The notice asks: Return the part. Say what the notice says and add no advice of your own" in paper
    assert "+1 312 555 0177" in paper


def test_more_than_paper_takes_are_all_in_the_file(
    cast: Cast, recall: Recall, signed_in: Callable[[str], Client], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A recall that leaves somebody out without a word would leave that person uncalled."""
    monkeypatch.setattr(recall_reach, "PRINTED", 1)
    manager, place = signed_in("manager"), [recall.public_id]
    table = manager.get(reverse("manager:recall_reach_csv", args=place) + "?show=all")
    lines = b"".join(table).decode().splitlines()  # type: ignore[call-overload]
    assert {line.split(",")[0] for line in lines[1:]} == {"1047", "1048"}
    paper = reverse("manager:recall_reach_print", args=place) + "?show=all"
    assert "Only the first 1 are here. The CSV holds everyone." in text(manager.get(paper))
    assert "Only the first" not in text(signed_in("desk").get(paper))


def test_all_that_one_person_was_given_is_in_the_file(
    cast: Cast, recall: Recall, signed_in: Callable[[str], Client]
) -> None:
    make_dispense(cast.odalys, on=date(2026, 2, 1), lines=[{"lot": "R-1"}])
    address = reverse("manager:recall_reach_csv", args=[recall.public_id]) + "?show=all"
    table = b"".join(signed_in("manager").get(address)).decode()  # type: ignore[call-overload]
    (row,) = [row for row in csv.DictReader(io.StringIO(table)) if row["patient_ref"] == "1047"]
    assert (row["dispensed_on"], row["part"], row["lot"]) == (
        "2026-02-01; 2026-01-01",
        "A7032; Aspen cushion, M",
        "R-1; R-1",
    )


def test_what_was_sent_is_called_what_it_was(
    cast: Cast, recall: Recall, signed_in: Callable[[str], Client]
) -> None:
    manager = signed_in("manager")
    manager.post(reverse("manager:notice_open", args=[recall.public_id]))
    page = reverse("manager:recall_contact", args=[recall.public_id, cast.odalys.public_id])
    assert "So far E-mail" in text(manager.get(page))
    Message.objects.update(channel="text")
    assert "So far Text message" in text(manager.get(page))
