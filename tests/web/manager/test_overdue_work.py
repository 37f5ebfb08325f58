"""Working on the overdue list: acts with preview and undo, saved views, files, a past day, missing parts."""

import csv
import io
from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from openpyxl import load_workbook

from resupply.models import BulkAct, Job, LineAct, Patient, PlanLine, SavedView
from resupply.services import jobs
from resupply.services.jobs import Progress
from resupply.services.overdue_files import overdue_as_of
from resupply.web.manager.overdue_act_words import undone_words
from tests.builders import NOW, TODAY, make_consent, make_device, make_dispense, make_fitting, make_patient
from tests.cast import Cast
from tests.services.test_overdue_acts import late
from tests.web.manager.test_overdue import LIST
from tests.web.pages import text

pytestmark = pytest.mark.usefixtures("usual_day")

ACT = reverse("manager:overdue_act")
UNTIL = (TODAY + timedelta(days=10)).isoformat()


def names(page: Any) -> set[str]:
    return {row.line.patient.family_name for row in page.context["rows"]}


def confirmed(client: Client, page: Any, **given: str) -> Any:
    """What the page of an act sends when it is confirmed."""
    shown = page.context
    sent = {name: shown[name] for name in ("act", "query", "seen")} | {"line": shown["lines"]}
    return client.post(ACT, sent | given, follow=True)


def test_a_snooze_is_seen_first_done_then_and_undone(cast: Cast, marta: Client) -> None:
    line = late(cast.odalys)
    late(cast.tevin)
    seen = marta.post(ACT, {"act": "snooze", "line": line.pk, "query": "kind=cushion"})
    assert "It concerns 1 line of 1 patient." in text(seen)
    assert "Odalys Brandt" in text(seen)
    assert not LineAct.objects.exists()
    done = confirmed(marta, seen, until=UNTIL, note="moving house")
    assert done.redirect_chain == [(f"{LIST}?kind=cushion", 302)]
    assert "1 line snoozed until Sat 28 Mar: moving house." in text(done)
    assert names(done) == {"Okafor"}
    undo = reverse("manager:overdue_undo", args=[BulkAct.objects.get().public_id])
    assert undo in done.content.decode()
    back = marta.post(undo, {"query": "kind=cushion"}, follow=True)
    assert "Undone for 1 line." in text(back)
    assert names(back) == {"Brandt", "Okafor"}
    assert "undone" in text(marta.get(reverse("manager:overdue_done")))


def test_what_is_missing_in_the_form_is_said_and_nothing_done(cast: Cast, marta: Client) -> None:
    line = late(cast.odalys)
    seen = marta.post(ACT, {"act": "snooze", "line": line.pk})
    wrong = confirmed(marta, seen, until="", note="")
    assert wrong.status_code == 422
    past = confirmed(marta, seen, until=TODAY.isoformat(), note="x")
    assert "Enter a day after today" in text(past)
    assert not BulkAct.objects.exists()


def test_all_lines_of_the_filter_and_not_those_of_other_rooms(cast: Cast, marta: Client) -> None:
    late(cast.odalys)
    late(cast.tevin, 12)
    seen = marta.post(ACT, {"act": "note", "all": "1", "query": "least=10"})
    assert seen.context["done_to"] == 1
    cast.manager.locations.set([cast.north])
    both = ",".join(str(pk) for pk in PlanLine.objects.values_list("pk", flat=True))
    seen = marta.post(ACT, {"act": "note", "line": both})
    assert [line.patient_id for line in seen.context["first"]] == [cast.odalys.pk]


def test_changed_in_between_it_is_shown_again(cast: Cast, marta: Client) -> None:
    a, b = late(cast.odalys), late(cast.tevin)
    seen = marta.post(ACT, {"act": "note", "line": f"{a.pk},{b.pk}"})
    PlanLine.objects.filter(pk=b.pk).update(supply_ends_on=TODAY)  # it is not overdue any more
    again = confirmed(marta, seen, note="asks for size S")
    assert again.status_code == 422
    assert "Look again." in text(again)
    assert not BulkAct.objects.exists()
    done = confirmed(marta, again, note="asks for size S")
    assert "Note on 1 line: asks for size S." in text(done)
    assert "note: asks for size S" in text(done)


def test_assigned_lines_are_on_the_page_of_whom_they_are_assigned_to(cast: Cast, marta: Client) -> None:
    line = late(cast.odalys)
    seen = marta.post(ACT, {"act": "assign", "line": line.pk})
    done = confirmed(marta, seen, assigned_to=str(cast.desk.user_id))
    assert f"1 line assigned to {cast.desk.user.get_username()}." in text(done)
    ines = Client()
    ines.force_login(cast.desk.user)
    mine = ines.get(reverse("manager:overdue_mine"))
    assert names(mine) == {"Brandt"}
    assert "1 overdue line is assigned to you" in text(ines.get(reverse("home")))
    assert names(marta.get(LIST, {"assigned": cast.desk.user_id})) == {"Brandt"}
    assert not marta.get(LIST, {"assigned": "0"}).context["rows"]


def test_asking_says_who_is_left_out_and_why(cast: Cast, marta: Client) -> None:
    make_consent(cast.odalys)
    lines = [late(cast.odalys), late(cast.tevin)]
    seen = marta.post(ACT, {"act": "ask", "line": [line.pk for line in lines]})
    assert "Left out: 1 line (no address for messages: call)." in text(seen)
    done = confirmed(marta, seen)
    assert "1 line asked about; messages go out within sending hours." in text(done)
    assert "wait : asked once, time to answer until Wed 25 Mar" in text(done)


def test_nothing_ticked_does_nothing(cast: Cast, marta: Client) -> None:
    late(cast.odalys)
    for sent in ({"act": "note"}, {"act": "delete", "all": "1"}, {"act": "note", "line": "x,-1"}):
        assert "Nothing was done." in text(marta.post(ACT, sent))


def test_filters_that_look_into_the_records(cast: Cast, marta: Client) -> None:
    reached = late(cast.odalys)
    make_consent(cast.odalys)
    make_fitting(cast.odalys, recorded_by=cast.therapist.user)
    late(cast.tevin)
    PlanLine.objects.filter(pk=reached.pk).update(covered_from=TODAY + timedelta(days=3))
    for query, expected in [
        ({"reach": "no_consent"}, {"Okafor"}),
        ({"reach": "never_reached"}, {"Brandt", "Okafor"}),
        ({"reach": "no_answer"}, set()),
        ({"coverage": "waiting"}, {"Brandt"}),
        ({"coverage": "open"}, {"Okafor"}),
        ({"therapist": cast.therapist.user_id}, {"Brandt"}),
        ({"therapist": cast.administrator.user_id}, set()),
    ]:
        page = marta.get(LIST, query)
        assert names(page) == expected, query
        counted = marta.get(reverse("manager:overdue_ages"), query).context["totals"]
        assert sum(total.value for total in counted) == len(expected), query
    PlanLine.objects.filter(pk=reached.pk).update(ask_from=TODAY - timedelta(days=20))
    cast.odalys.contacts.create(on=TODAY - timedelta(days=2), outcome="no_answer")
    assert names(marta.get(LIST, {"reach": "no_answer"})) == {"Brandt"}
    cast.odalys.contacts.create(on=TODAY, outcome="reached")
    assert names(marta.get(LIST, {"reach": "never_reached"})) == {"Okafor"}


def test_a_filter_looks_through_so_many_lines_and_says_where_to_go_on(
    cast: Cast, marta: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("resupply.queries.overdue.LOOKED_AT", 2)
    for days in (30, 29, 28, 27):
        late(make_patient(location=cast.south, family_name="Without"), days)
    last = make_patient(location=cast.south, family_name="With", email="w@patients.example")
    make_consent(last)
    late(last, 5)
    query = {"reach": "never_reached", "therapist": cast.therapist.user_id}
    make_fitting(last, recorded_by=cast.therapist.user)
    page, turns = marta.get(LIST, query), 0
    while not page.context["rows"] and page.context["older_url"]:
        assert page.context["is_cut"]
        page, turns = marta.get(LIST + page.context["older_url"]), turns + 1
    assert (names(page), turns) == ({"With"}, 2)


def test_a_saved_view_is_one_s_own(cast: Cast, marta: Client) -> None:
    save = reverse("manager:view_save") + "?least=91&after=2026-01-01_5"
    assert "It holds: overdue at least 91 days." in text(marta.get(save))
    done = marta.post(save, {"name": " Long  overdue "}, follow=True)
    assert done.redirect_chain == [(f"{LIST}?least=91", 302)]
    assert 'href="/manager/overdue/?least=91" aria-current="true">Long overdue' in done.content.decode()
    marta.post(reverse("manager:view_save") + "?least=61", {"name": "Long overdue"})
    view = SavedView.objects.get(removed_at=None)
    assert view.query == "least=61"
    assert marta.post(save, {"name": ""}).status_code == 422
    ada = Client()
    ada.force_login(cast.administrator.user)
    assert "Long overdue" not in text(ada.get(LIST))
    marta.post(reverse("manager:view_remove", args=[view.public_id]))
    assert not marta.get(LIST).context["views"]


def test_filters_too_long_to_keep_are_refused_and_not_cut(marta: Client) -> None:
    long = "&".join(f"location={number}" for number in range(1_000, 1_050))
    answer = marta.post(f"{reverse('manager:view_save')}?{long}", {"name": "Everywhere"})
    assert answer.status_code == 422
    assert "more filters than a view keeps" in answer.content.decode()
    assert not SavedView.objects.exists()


def test_the_workbook_holds_the_list_and_no_formula(cast: Cast, marta: Client) -> None:
    late(cast.odalys, exception_reason="lost in the post")
    late(cast.tevin)
    Patient.objects.filter(pk=cast.tevin.pk).update(given_name="=1+1")
    answer = marta.get(reverse("manager:overdue_xlsx"))
    assert answer["Content-Disposition"] == 'attachment; filename="overdue-2026-03-18.xlsx"'
    sheet = load_workbook(io.BytesIO(b"".join(answer))).worksheets[0]  # type: ignore[arg-type]
    head, *rows = list(sheet.iter_rows())
    table = [dict(zip([cell.value for cell in head], row, strict=True)) for row in rows]
    cells = next(row for row in table if row["patient_ref"].value == "1048")
    assert (cells["given_name"].value, cells["given_name"].data_type) == ("=1+1", "s")
    assert cells["days_overdue"].value == 9
    assert cells["supply_ended_on"].value.date() == TODAY - timedelta(days=9)
    assert {row["exception"].value for row in table} == {"lost in the post", None}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("resupply.web.manager.overdue_files.MOST_IN_A_WORKBOOK", 1)
        assert "Narrow it" in text(marta.get(reverse("manager:overdue_xlsx"), follow=True))


@pytest.mark.django_db(transaction=True)
def test_a_past_day_is_worked_out_by_a_worker_into_a_file(cast: Cast, marta: Client) -> None:
    """Tevin was overdue on 14 March and got his part since; Odalys fell behind later."""
    late(cast.tevin, 9)
    late(cast.odalys, 2)
    make_dispense(cast.tevin, on=TODAY - timedelta(days=1))
    past = reverse("manager:overdue_past")
    assert "Enter a day before today" in text(marta.post(past, {"day": TODAY.isoformat(), "form": "csv"}))
    files = {}
    for form in ("csv", "xlsx"):
        page = marta.post(past, {"day": "2026-03-14", "form": form}, follow=True)
        assert "Waiting for a worker" in text(page)
        job = Job.objects.latest("pk")
        assert jobs.work(now=NOW)
        page = marta.get(reverse("job", args=[job.public_id]))
        assert "1 line was overdue at the end of Sat 14 Mar 2026." in text(page)
        files[form] = b"".join(marta.get(reverse("job_file", args=[job.public_id])))  # type: ignore[arg-type]
    rows = list(csv.DictReader(io.StringIO(files["csv"].decode())))
    assert [(row["patient_ref"], row["days_overdue"], row["supply_ended_on"]) for row in rows] == [
        ("1048", "5", "2026-03-09")
    ]
    sheet = load_workbook(io.BytesIO(files["xlsx"])).worksheets[0]
    head, row = (list(cells) for cells in sheet.iter_rows(values_only=True))
    cells = dict(zip(head, row, strict=True))
    assert (cells["patient_ref"], cells["days_overdue"], cells["supply_ended_on"].isoformat()) == (
        "1048", 5, "2026-03-09T00:00:00",
    )  # fmt: skip


def test_a_past_day_goes_on_from_where_it_was_cut_off(cast: Cast, monkeypatch: pytest.MonkeyPatch) -> None:
    for days in (3, 4, 5, 6, 7):
        late(make_patient(location=cast.south), days)
    params = {"day": "2026-03-17", "location_ids": [], "form": "csv"}
    whole = Progress()
    overdue_as_of(params, whole, now=NOW)
    monkeypatch.setattr("resupply.services.overdue_files.BATCH", 2)

    class Cut(Progress):
        def keep(self, left_at: Any, chunk: bytes = b"") -> None:
            super().keep(left_at, chunk)
            if len(self.chunks) == 3:
                raise InterruptedError

    first = Cut()
    with pytest.raises(InterruptedError):
        overdue_as_of(params, first, now=NOW)
    second = Progress(first.left_at)
    second.chunks = list(first.chunks)
    overdue_as_of(params, second, now=NOW)
    assert b"".join(second.chunks) == b"".join(whole.chunks)
    assert whole.outcome.startswith("5 lines were overdue")
    assert second.outcome == whole.outcome


def test_parts_never_given_are_listed_with_the_reason(cast: Cast, marta: Client) -> None:
    late(cast.odalys)
    make_device(cast.odalys)
    page = text(marta.get(reverse("manager:missing"), {"location": cast.north.pk}))
    assert "Mask : parts of a mask are on record" in page
    assert "Water chamber : the device on record has a humidifier" in page
    assert "Disposable filter or reusable filter : therapy needs one" in page
    assert "Okafor" not in page
    lines = b"".join(marta.get(reverse("manager:missing_csv"), {"kind": "chamber"})).decode()  # type: ignore[arg-type]
    assert [row["patient_ref"] for row in csv.DictReader(io.StringIO(lines))] == ["1047"]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("resupply.queries.missing_lines.PAGE", 1)
        first = marta.get(reverse("manager:missing"))
        second = marta.get(reverse("manager:missing") + first.context["older_url"])
    shown = [patient.pk for page in (first, second) for patient, _ in page.context["rows"]]
    assert shown == [cast.odalys.pk, cast.tevin.pk]


def test_paper_and_files_run_as_the_list_does(cast: Cast, marta: Client) -> None:
    late(cast.odalys, 9)
    late(cast.tevin, 12)
    for order, first in (("", "Okafor"), ("recent", "Brandt")):
        paper = marta.get(reverse("manager:overdue_print"), {"order": order})
        assert paper.context["rows"][0].line.patient.family_name == first
        table = marta.get(reverse("manager:overdue_csv"), {"order": order})
        assert first in b"".join(table).decode().splitlines()[1]  # type: ignore[arg-type]


def test_what_is_listed_in_part_says_so(cast: Cast, marta: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("resupply.web.manager.overdue_acts.SHOWN", 1)
    monkeypatch.setattr("resupply.web.manager.overdue_acts.LISTED", 1)
    lines = f"{late(cast.odalys).pk},{late(cast.tevin, 12).pk}"
    asking = marta.post(ACT, {"act": "ask", "line": lines})
    assert len(asking.context["left_out"]) == 1
    assert "The first 1 of 2." in text(asking)
    for _ in range(2):
        confirmed(marta, marta.post(ACT, {"act": "note", "line": lines}), note="x")
    assert "Only the latest 1 are here." in text(marta.get(reverse("manager:overdue_done")))


def test_what_had_gone_out_is_counted_by_lines() -> None:
    """One message asks about several lines: two lines are no two messages."""
    bulk = BulkAct(act="ask", lines_done=3, lines_undone=1)
    assert undone_words(bulk) == "Undone for 1 line. The message about 2 lines had gone out already."
