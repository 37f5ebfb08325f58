"""Follow-ups and nights on screen: the work list, troubles and remedies, the chart and what it says."""

from datetime import date, timedelta

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from resupply.models import FollowUp, Night
from resupply.rules.matching_table import shipped_text
from resupply.services import plans
from resupply.web.therapist.night_chart import night_chart
from tests.builders import (
    NOW,
    TODAY,
    make_dispense,
    make_follow_up,
    make_item,
    make_nights,
    make_patient,
)
from tests.web.pages import text

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("usual_day")]


def address(name, person):
    return reverse(f"therapist:{name}", args=[person.public_id])


def wears(person, style="nasal"):
    item = make_item(kind="mask", part_code="A7034", style=style, magnetic="no")
    make_dispense(person, on=date(2026, 3, 1), lines=[{"part_code": "A7034", "item": item}])
    plans.refresh_plans([person.pk], now=NOW)


FOLLOW = {"on": "2026-03-18", "reached": "yes", "step": "", "note": "", "again_on": ""}


def test_troubles_recorded_bring_up_what_to_try_for_the_mask_worn(cast, therapist):
    wears(cast.odalys)
    sent = FOLLOW | {"problems": ["leak", "marks"], "leak_bridge": "strong", "note": "since Monday"}
    page = text(therapist.post(address("follow_up", cast.odalys), sent, follow=True))
    assert "Leak (bridge of the nose strong)" in page
    assert "Loosen the lower straps first" in page
    assert "Refer: Broken skin" in page
    assert "since Monday" in page
    assert FollowUp.objects.get().leaks == {"bridge": "strong"}


@pytest.mark.parametrize(
    ("sent", "says"),
    [
        ({"reached": "no", "problems": ["leak"]}, "Say that the patient was reached"),
        ({"on": "2026-03-19"}, "has not come yet"),
        ({"again_on": "2026-03-18"}, "after this one"),
        ({"step": "nothing"}, "is not offered here"),
    ],
)
def test_what_is_refused_keeps_what_was_typed(cast, therapist, sent, says):
    answer = therapist.post(address("follow_up", cast.odalys), FOLLOW | {"note": "typed before"} | sent)
    assert answer.status_code == 422
    assert says in text(answer)
    assert "typed before" in answer.content.decode()
    assert not FollowUp.objects.exists()


def test_the_work_list_opens_the_form_and_asks_as_often_for_one_as_for_many(cast, therapist):
    def asked():
        with CaptureQueriesContext(
            connection,
        ) as queries:
            answer = therapist.get(reverse("therapist:work"))
        return len(queries), text(answer)

    cast.odalys.therapy_started_on = TODAY - timedelta(days=5)
    cast.odalys.save()
    count, page = asked()
    assert "Odalys Brandt" in page
    assert "First week" in page
    for _ in range(5):
        make_follow_up(
            make_patient(therapy_started_on=TODAY - timedelta(days=30)), on=TODAY - timedelta(days=25)
        )
    again, page = asked()
    assert again == count
    assert "One month" in page


def test_voided_with_a_reason(cast, therapist):
    row = make_follow_up(cast.odalys)
    page = text(
        therapist.post(
            reverse("therapist:follow_up_void", args=[row.public_id]), {"reason": "wrong one"}, follow=True
        )
    )
    assert "wrong one" in page


def night_file(rows):
    content = "night_date,usage_min,leak_p95_lpm,leak_kind\n" + "\n".join(rows)
    return {"file": SimpleUploadedFile("nights.csv", content.encode(), "text/csv")}


def test_nights_are_brought_in_charted_and_taken_back(cast, therapist):
    rows = [f"2026-03-{n:02d},{300 if n != 5 else 100},{20 + n},total" for n in range(1, 15)]
    page = text(therapist.post(address("nights", cast.odalys), night_file(rows), follow=True))
    assert "14 nights added." in page
    assert "Used for 4 hours or more on 13 of the last 14 nights on record" in page
    assert "5:00" in page
    again = text(therapist.post(address("nights", cast.odalys), night_file(rows), follow=True))
    assert "14 known already." in again
    void = reverse("therapist:nights_void", args=[cast.odalys.night_imports.get().public_id])
    page = text(therapist.post(void, {"reason": "another card"}, follow=True))
    assert "No nights on record." in page
    assert "another card" in page


def test_a_wrong_file_is_listed_row_by_row_and_writes_nothing(cast, therapist):
    answer = therapist.post(
        address("nights", cast.odalys), night_file(["2026-03-01,300,20,total", "2026-03-02,1500,20,total"])
    )
    assert answer.status_code == 422
    assert "Row 3, usage_min: out of range: 0 to 1440 min (“1500”)" in text(answer)
    assert not Night.objects.exists()
    assert therapist.post(address("nights", cast.odalys), {}).status_code == 422


def test_a_rise_proposes_a_look_at_the_cushion_and_no_change_of_therapy(cast, therapist):
    first = TODAY - timedelta(days=25)
    make_dispense(cast.odalys, on=first, lines=[{"part_code": "A7032"}])
    plans.refresh_plans([cast.odalys.pk], now=NOW)
    leaks = [20, 22] * 7 + [40] * 10
    rows = [f"{first + timedelta(days=n)},400,{leak},unintentional" for n, leak in enumerate(leaks)]
    page = text(therapist.post(address("nights", cast.odalys), night_file(rows), follow=True))
    assert "Look at the cushion early." in page
    assert "7 of the last 7 nights lie above 22 L/min" in page
    assert "Therapy and pressure are the prescriber's" in page
    assert "Odalys Brandt" in text(therapist.get(reverse("therapist:work"))).partition("Leak has risen")[2]


def test_every_part_begun_in_the_time_of_the_chart_is_on_it(cast, therapist):
    """Life of a cushion one month (common practice, shipped): two given together start a month apart."""
    make_dispense(cast.odalys, on=date(2026, 2, 1), lines=[{"part_code": "A7032", "quantity": 2}])
    plans.refresh_plans([cast.odalys.pk], now=NOW)
    make_nights(cast.odalys, first=date(2026, 1, 20), minutes=[300] * 50)
    chart = therapist.get(address("nights", cast.odalys)).context["chart"]
    assert [(one.name, one.on) for one in chart.installs] == [
        ("Cushion", date(2026, 2, 1)),
        ("Cushion", date(2026, 3, 1)),
    ]


def test_use_in_the_first_months_is_said_in_words(cast, therapist):
    cast.odalys.therapy_started_on = date(2026, 1, 1)
    cast.odalys.save()
    make_nights(cast.odalys, first=date(2026, 1, 1), minutes=[300] * 21 + [0] * 9)
    assert "Use was enough: 21 of 30 nights" in text(therapist.get(address("nights", cast.odalys)))
    cast.payer.reevaluation = "pap"
    cast.payer.save()
    assert "Re-evaluation due now" in text(therapist.get(address("nights", cast.odalys)))
    make_follow_up(cast.odalys, is_reevaluation=True, on=date(2026, 3, 1))
    assert "Re-evaluation documented on" in text(therapist.get(address("nights", cast.odalys)))


def test_the_chart_leaves_gaps_and_marks_nights_of_four_hours():
    nights = [
        Night(night_on=date(2026, 3, day), usage_min=minutes, leak_p95=leak, leak_kind="total")
        for day, minutes, leak in [(1, 240, 20), (2, 239, 25), (4, 1440, None), (5, 300, 60)]
    ]
    chart = night_chart(
        nights, [("Cushion", date(2026, 3, 2)), ("Tubing", date(2025, 1, 1))], last=date(2026, 3, 5)
    )
    assert [column.is_enough for column in chart.columns] == [True, False, True, True]
    assert [len(points.split()) for points in chart.lines] == [2, 2], "a run of two, and a single night"
    assert [mark.text for mark in chart.leaks] == ["0", "30", "60"]
    assert [install.name for install in chart.installs] == ["Cushion"]
    assert max(column.y + column.height for column in chart.columns) <= chart.height
    assert min(column.y for column in chart.columns) >= 150, "more than 12 hours stay inside the chart"
    assert night_chart([], [], last=TODAY) is None


def test_a_place_that_leaks_is_a_trouble_whether_leak_was_ticked_or_not(cast, therapist):
    """Marked under "Where it leaks" alone, the place was kept and shown nowhere."""
    wears(cast.odalys)
    page = text(
        therapist.post(address("follow_up", cast.odalys), FOLLOW | {"leak_bridge": "strong"}, follow=True)
    )
    assert "Leak (bridge of the nose strong)" in page
    assert "Loosen the lower straps first" in page


def test_of_many_faults_it_says_that_some_are_listed(cast, therapist):
    rows = [f"2026-03-{n:02d},,20,total" for n in range(1, 15)] + ["x,1,1,total"] * 40
    page = text(therapist.post(address("nights", cast.odalys), night_file(rows)))
    assert "54 faults in the file." in page
    assert "The first 30 of them." in page


@pytest.mark.parametrize("view", ["plan_new", "matching_new"])
def test_a_slip_in_the_year_of_a_rule_is_refused(therapist, view):
    steps = {"name": "a", "from_day": "1", "to_day": "2"}
    sent = {"steps-TOTAL_FORMS": "1", "steps-INITIAL_FORMS": "0", "table": shipped_text(), "reason": "r"}
    sent |= {f"steps-0-{name}": value for name, value in steps.items()}
    answer = therapist.post(reverse(f"therapist:{view}"), sent | {"effective_from": "2206-03-18"})
    assert answer.status_code == 422
    assert "Enter a day from 2000 to 2099." in text(answer)
