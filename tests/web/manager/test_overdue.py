"""The manager's overdue list: rows, filters, pages, totals, CSV, paper."""

import csv
import io
import re
from datetime import date, timedelta

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from resupply.models import Message, MessageReason, Patient, PlanLine
from resupply.queries.overdue import PAGE
from resupply.services import events, plans
from resupply.services.dispensing import NewLine, record_dispense
from tests.builders import NOW, TODAY, make_dispense, make_patient
from tests.cast import Cast
from tests.web.pages import text

pytestmark = pytest.mark.usefixtures("usual_day")

LIST = "/manager/overdue/"


def late(patient: Patient, days: int, **line: object) -> PlanLine:
    """The patient's cushion (life 1 month) whose supply ended so many days ago: given a month before that."""
    ended = TODAY - timedelta(days=days)
    given = (ended.replace(day=1) - timedelta(days=1)).replace(day=ended.day)
    make_dispense(patient, on=given, lines=[line])
    plans.refresh_plans([patient.pk], now=NOW)
    row = PlanLine.objects.get(patient=patient)
    assert row.supply_ends_on == ended
    return row


def test_a_row_shows_what_the_manager_asks(cast: Cast, marta: Client) -> None:
    late(cast.odalys, 9, billed=True, billed_to=cast.payer)
    page = text(marta.get(LIST))
    assert (
        "Odalys Brandt born 4 Feb 1961 · ref 1047 North room Payer B Cushion Cushion for a nasal mask "
        "Mon 9 Mar 9 days open since Mon 9 Feb never call : no yes to messages" in page
    )
    assert reverse("desk:patient", args=[cast.odalys.public_id]) in marta.get(LIST).content.decode()


def test_waiting_for_coverage_stands_beside(cast: Cast, marta: Client) -> None:
    late(cast.odalys, 9, quantity=1, billed=True, billed_to=cast.payer)
    PlanLine.objects.update(covered_from=date(2026, 4, 2))
    assert "waiting for coverage opens Thu 2 Apr" in text(marta.get(LIST))


def test_the_last_message_that_went_out_and_how_often_it_asked(cast: Cast, marta: Client) -> None:
    late(cast.tevin, 9)
    for day, kind, state in [(10, "cushion", "sent"), (12, "mask", "sent"), (14, "cushion", "waiting")]:
        at = NOW.replace(day=day)
        message = Message.objects.create(
            patient=cast.tevin,
            channel="mail",
            purpose="refill",
            day=at.date(),
            state=state,
            created_at=at,
            not_before=at,
            expires_at=at,
            finished_at=at if state == "sent" else None,
        )
        MessageReason.objects.create(
            message=message, patient=cast.tevin, kind=kind, step="due", supply_ends_on=date(2026, 3, day)
        )
    page = text(marta.get(LIST))
    assert "not needed Thu 12 Mar E-mail" in page  # the newest that went out, about whatever part
    assert "wait : asked twice, time to answer until Sat 21 Mar" in page  # about this part, one on its way


def test_a_dispense_takes_the_row_away_and_a_pause_does(cast: Cast, marta: Client) -> None:
    late(cast.odalys, 9)
    late(cast.tevin, 12)
    assert "Odalys" in text(marta.get(LIST))
    record_dispense(
        patient=cast.odalys,
        location=cast.north,
        dispensed_on=TODAY,
        lines=[NewLine(part_code="A7032", quantity=1)],
        by=cast.desk.user,
        now=NOW,
    )
    events.record_pause(patient=cast.tevin, on=TODAY, until=None, by=cast.desk.user, now=NOW)
    page = text(marta.get(LIST))
    assert "Nobody is overdue." in page
    assert "Patients on therapy appear here the day after" in page


def test_filters_narrow_rows_totals_and_csv(cast: Cast, marta: Client) -> None:
    late(cast.odalys, 9)
    late(cast.tevin, 12)
    for query, names in [
        ({"location": cast.south.pk}, {"Okafor"}),
        ({"payer": cast.payer.pk}, {"Brandt"}),
        ({"payer": "0"}, {"Okafor"}),
        ({"kind": "cushion"}, {"Brandt", "Okafor"}),
        ({"kind": "mask"}, set()),
        ({"least": "10"}, {"Okafor"}),
        ({"least": "1", "most": "9"}, {"Brandt"}),
        ({"location": "999999"}, {"Brandt", "Okafor"}),  # said at the field; it narrows nothing
        ({"least": "x"}, {"Brandt", "Okafor"}),
    ]:
        page = marta.get(LIST, query)
        shown = {name for name in ("Brandt", "Okafor") if name in text(page)}
        assert shown == names, query
        counted = marta.get(reverse("manager:overdue_ages"), query).context["totals"]
        assert sum(total.value for total in counted) == len(names), query
        lines = b"".join(marta.get(reverse("manager:overdue_csv"), query)).decode()  # type: ignore[arg-type]
        assert lines.count("\n") == 1 + len(names), query
    wrong = text(marta.get(LIST, {"least": "9", "most": "2"}))
    assert "Enter a number that is not below the first." in wrong


def test_a_manager_of_one_room_sees_that_room(cast: Cast, marta: Client) -> None:
    late(cast.odalys, 9)
    late(cast.tevin, 12)
    cast.manager.locations.set([cast.south])
    assert "Brandt" not in text(marta.get(LIST))
    assert "Brandt" not in text(marta.get(LIST, {"location": cast.north.pk}))
    assert b"Brandt" not in b"".join(marta.get(reverse("manager:overdue_csv")))  # type: ignore[arg-type]
    assert "Brandt" not in text(marta.get(reverse("manager:overdue_print")))


def many(cast: Cast, number: int) -> None:
    """Overdue lines of as many patients, made by copying one."""
    model = late(cast.tevin, 9)
    ended = model.supply_ends_on
    for count in range(number - 1):
        model.pk = None
        model.patient = make_patient(location=cast.south, given_name=f"P{count:03}", family_name="Q")
        model.supply_ends_on = ended - timedelta(days=count % 3)
        model.save(force_insert=True)


def test_pages_lead_there_and_back_with_their_filters(cast: Cast, marta: Client) -> None:
    many(cast, PAGE + 5)
    first = marta.get(LIST, {"kind": "cushion", "order": "recent", "payer": ""})
    assert len(first.context["rows"]) == PAGE
    assert first.context["newer_url"] == ""
    second = marta.get(LIST + first.context["older_url"])
    assert "kind=cushion" in first.context["older_url"]
    assert "payer" not in first.context["older_url"]
    assert len(second.context["rows"]) == 5
    assert second.context["older_url"] == ""
    back = marta.get(LIST + second.context["newer_url"])
    assert [row.line.pk for row in back.context["rows"]] == [row.line.pk for row in first.context["rows"]]
    days = [row.days for row in [*first.context["rows"], *second.context["rows"]]]
    assert days == sorted(days)
    nonsense = marta.get(LIST, {"after": "yesterday_x"})
    assert len(nonsense.context["rows"]) == PAGE


def test_the_same_queries_for_one_row_and_for_thirty(cast: Cast, marta: Client) -> None:
    counts = []
    for number in (1, 29):
        for _ in range(number):
            late(make_patient(location=cast.south, payer=cast.payer), 9)
        with CaptureQueriesContext(connection) as queries:
            assert marta.get(LIST).status_code == 200
        counts.append(len(queries))
    assert counts[0] == counts[1]


def test_each_age_leads_to_its_rows(cast: Cast, marta: Client) -> None:
    late(cast.odalys, 9)
    late(cast.tevin, 12)
    totals = marta.get(LIST, {"kind": "cushion"}).context["totals"]
    assert [(total.label, total.value) for total in totals] == [
        ("1 to 7 days", 0),
        ("8 to 30 days", 2),
        ("31 to 60 days", 0),
        ("61 to 90 days", 0),
        ("more than 90 days", 0),
    ]
    assert totals[1].url == "?kind=cushion&least=8&most=30"
    assert len(marta.get(LIST + totals[1].url).context["rows"]) == 2
    assert marta.get(LIST + totals[0].url).context["rows"] == []


def test_the_csv_holds_every_row_and_no_formula(cast: Cast, marta: Client) -> None:
    many(cast, PAGE + 5)
    Patient.objects.filter(pk=cast.tevin.pk).update(given_name="=1+1", phone="+1 312 555 0177")
    answer = marta.get(reverse("manager:overdue_csv"))
    assert answer["Content-Disposition"] == 'attachment; filename="overdue-2026-03-18.csv"'
    assert answer["Cache-Control"] == "no-store"
    rows = list(csv.DictReader(io.StringIO(b"".join(answer).decode())))  # type: ignore[arg-type]
    assert len(rows) == PAGE + 5
    row = next(row for row in rows if row["patient_ref"] == "1048")
    assert row == {
        "patient_ref": "1048",
        "given_name": "'=1+1",
        "family_name": "Okafor",
        "birth_date": "1979-11-30",
        "phone": "'+1 312 555 0177",
        "location": "South room",
        "payer": "",
        "kind": "cushion",
        "part_code": "A7032",
        "supply_ended_on": "2026-03-09",
        "days_overdue": "9",
        "covered_from": "",
        "waiting_for_coverage": "no",
        "last_contact_on": "",
        "last_contact": "",
        "next_step": "call: no address for messages",
        "exception": "",
        "assigned_to": "",
        "snoozed_until": "",
        "note": "",
    }


def test_paper_has_every_row_and_says_what_it_was_narrowed_to(cast: Cast, marta: Client) -> None:
    many(cast, PAGE + 5)
    page = text(marta.get(reverse("manager:overdue_print"), {"location": cast.south.pk, "least": "10"}))
    assert "Overdue on Wed 18 Mar South room · overdue at least 10 days · 36 lines" in page
    everyone = marta.get(reverse("manager:overdue_print"))
    assert len(everyone.context["rows"]) == PAGE + 5
    assert "Everyone" in text(everyone)


def test_no_patient_data_in_any_address_of_the_page(cast: Cast, marta: Client) -> None:
    many(cast, PAGE + 5)
    links = re.findall(r'href="([^"]*)"', marta.get(LIST).content.decode())
    assert len(links) > PAGE
    for link in links:
        assert "Okafor" not in link
        assert not re.search(r"(?<![\da-f-])1048(?![\da-f-])", link)  # but in a random public id
