"""A patient's own page: what is recorded, and what can be taken back."""

from datetime import date, timedelta
from typing import Any

import pytest
import time_machine
from django.test import Client

from resupply.models import (
    CleaningTick,
    Event,
    MagnetScreen,
    Patient,
    PatientReport,
)
from resupply.queries import screening
from resupply.rules.magnets import Reason, verdict
from resupply.services.doors import IssuedLink
from tests.builders import (
    NOW,
    TODAY,
    make_report,
)
from tests.web.patient.own import at, without_help

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_noon")]


def tick(client: Client, issued: IssuedLink, task: str, **more: str) -> Any:
    return client.post(at(issued, "tick"), {"task": task} | more)


def test_a_task_is_ticked_off_once_and_undone_by_a_void(inside: Client, issued: IssuedLink) -> None:
    for _ in range(2):
        assert tick(inside, issued, "wash_cushion")["Location"].endswith("#cleaning")
    row = CleaningTick.objects.get()
    assert (row.day, row.task, row.recorded_by) == (TODAY, "wash_cushion", None)
    assert "All done" not in inside.get(at(issued)).text
    tick(inside, issued, "empty_chamber")
    assert "All done for today. Thank you." in inside.get(at(issued)).text
    tick(inside, issued, "wash_cushion", undo="1")
    row.refresh_from_db()
    assert row.void_reason == "undone by the patient on the own page"
    tick(inside, issued, "wash_cushion")
    assert CleaningTick.objects.filter(task="wash_cushion").count() == 2
    assert tick(inside, issued, "wash\0cushion", undo="1").status_code == 302


@pytest.mark.parametrize("task", ["", "wash_tubing", "wash_before_first_use", "no such task"])
def test_what_is_not_on_the_list_is_not_ticked(inside: Client, issued: IssuedLink, task: str) -> None:
    assert tick(inside, issued, task).status_code == 302
    assert not CleaningTick.objects.exists()


def test_a_new_part_and_an_illness_add_washes(
    inside: Client, issued: IssuedLink, at_noon: time_machine.Traveller
) -> None:
    assert "Wash the tubing" not in inside.get(at(issued)).text  # a weekly task, not on a Wednesday
    told = inside.post(at(issued, "report", "ill"), follow=True)
    assert "We added a wash to today&#x27;s list." in told.text
    page = inside.get(at(issued)).text
    assert "Wash the tubing <small>(one more time, as you were ill)</small>" in page
    tick(inside, issued, "wash_tubing")
    assert CleaningTick.objects.get().task == "wash_tubing"
    at_noon.move_to(NOW + timedelta(days=14))  # 2026-04-01: the spare cushion starts
    page = inside.get(at(issued)).text
    assert "Wash before first use <small>(new: cushion)</small>" in page
    assert "one more time" not in page


def test_the_month_tells_done_from_open_without_scolding(
    inside: Client, issued: IssuedLink, patient: Patient
) -> None:
    for day, tasks in ((16, ["wash_cushion", "empty_chamber"]), (17, ["wash_cushion"])):
        for task in tasks:
            CleaningTick.objects.create(patient=patient, day=date(2026, 3, day), task=task)
    page = inside.get(at(issued, "month"))
    states = {cell[0].day: cell[1] for week in page.context["weeks"] for cell in week if cell}
    assert (states[15], states[16], states[17], states[18], states[31]) == (
        "none", "all", "some", "ahead", "ahead",
    )  # fmt: skip
    assert "Days with all tasks ticked: 1." in page.text
    said = without_help(page.text).lower()
    for harsh in ("missed", "fail", "forgot", "must"):
        assert harsh not in said
    assert inside.get(at(issued, "month") + "?m=2031-01").context["title"] == "Cleaning in March 2026"
    for asked in ("nonsense", "0001-01", "2020-01"):  # nobody could tick anything off then
        assert inside.get(at(issued, "month") + f"?m={asked}").context["title"] == "Cleaning in March 2026"


def test_the_days_of_cleaning_are_chosen_and_changed_back(
    inside: Client, issued: IssuedLink, patient: Patient
) -> None:
    done = inside.post(at(issued, "days"), {"weekday": "2", "month_day": "31"})
    assert "Your wash days are: Wednesday, and day 31 of the month." in done.text
    assert "Wash the tubing" in inside.get(at(issued)).text
    inside.post(at(issued, "undo", "days"), done.context["values"])
    patient.refresh_from_db()
    assert (patient.cleaning_weekday, patient.cleaning_month_day) == (6, 1)
    assert inside.post(at(issued, "days"), {"weekday": "7", "month_day": "0"}).status_code == 422
    for bad in ({"weekday": "9", "month_day": "1"}, {"weekday": "x"}, {}):
        assert inside.post(at(issued, "undo", "days"), bad).status_code == 409


def test_a_form_sent_twice_tells_it_once(inside: Client, issued: IssuedLink) -> None:
    leak, pause, again = (at(issued, *name) for name in (("report", "leak"), ("pause",), ("again",)))
    for _ in range(2):
        for address, note in ((leak, "on the left"), (leak, "on the left"), (pause, ""), (pause, "")):
            assert inside.post(address, {"note": note}).status_code == 302
        assert inside.post(again).status_code == 200
        assert "We have this on record for today." in inside.post(again).text
    assert [row.told for row in PatientReport.objects.order_by("pk")] == ["leak", "unused", "unused"]
    inside.post(leak, {"note": "and on the right"})
    assert PatientReport.objects.filter(told="leak").count() == 2


def test_not_in_use_pauses_and_asks_for_a_person_and_can_be_undone(
    inside: Client, issued: IssuedLink
) -> None:
    done = inside.post(at(issued, "pause"), {"note": "in hospital"}, follow=True)
    assert "Your dates are on hold. We will call you." in done.text
    row = PatientReport.objects.get()
    assert row.event is not None
    assert (row.told, row.note, row.event.on, row.event.until) == ("unused", "in hospital", TODAY, None)
    assert row.event.by_patient
    page = inside.get(at(issued)).text
    assert "On pause since Wednesday 18 March." in page
    assert "Wash or wipe the cushion" not in page
    assert inside.post(at(issued, "pause"), {}).status_code == 422  # once is enough
    inside.post(at(issued, "undo", "report"), {"record": row.public_id})
    row.event.refresh_from_db()
    row.refresh_from_db()
    assert row.is_voided
    assert row.event.is_voided
    assert "Wash or wipe the cushion" in inside.get(at(issued)).text


def test_in_use_again_ends_the_pause_and_can_be_undone(
    inside: Client, issued: IssuedLink, at_noon: time_machine.Traveller
) -> None:
    inside.post(at(issued, "pause"), {"note": ""})
    at_noon.move_to(NOW + timedelta(days=5))
    done = inside.post(at(issued, "again"))
    assert "Your dates go on from today." in done.text
    ended = Event.objects.get(voided_at=None)
    assert (ended.on, ended.until) == (TODAY, TODAY + timedelta(days=5))
    inside.post(at(issued, "undo", "again"))
    assert Event.objects.filter(voided_at=None, until=None).get().on == TODAY + timedelta(days=5)
    assert "On pause" in inside.get(at(issued)).text
    inside.post(at(issued, "again"))  # on the day the pause began: as if it had not
    assert not Event.objects.filter(voided_at=None, until=None).exists()
    assert inside.post(at(issued, "again")).status_code == 422


def test_a_part_change_counts_and_can_be_undone(inside: Client, issued: IssuedLink) -> None:
    done = inside.post(at(issued, "changed"), {"kind": "cushion"}, follow=True)
    assert "We set the next date from today: cushion." in done.text
    swap = Event.objects.get()
    assert (swap.event, swap.kind, swap.on, swap.by_patient) == ("swap", "cushion", TODAY, True)
    assert not PatientReport.objects.exists()
    again = inside.post(at(issued, "changed"), {"kind": "cushion"})
    assert again.status_code == 422
    assert "We have this on record for today." in again.text
    inside.post(at(issued, "undo", "change"), {"record": swap.public_id})
    swap.refresh_from_db()
    assert swap.is_voided


def test_a_part_change_without_a_spare_is_kept_for_a_person(inside: Client, issued: IssuedLink) -> None:
    done = inside.post(at(issued, "changed"), {"kind": "tubing"}, follow=True)
    assert "so a person will look at it: tubing." in done.text
    row = PatientReport.objects.get()
    assert row.event is not None
    assert (row.told, row.kind, row.event.kind) == ("changed", "tubing", "tubing")
    inside.post(at(issued, "undo", "report"), {"record": row.public_id})
    assert not Event.objects.filter(voided_at=None).exists()


@pytest.mark.parametrize("kind", ["", "mask", "no such part"])
def test_only_parts_on_record_can_be_changed(inside: Client, issued: IssuedLink, kind: str) -> None:
    answer = inside.post(at(issued, "changed"), {"kind": kind})
    assert answer.status_code == 422
    assert "Please choose one." in answer.text
    assert not Event.objects.exists()


@pytest.mark.parametrize("what", ["leak", "sore"])
def test_a_leak_or_sore_spot_is_kept_with_its_note(inside: Client, issued: IssuedLink, what: str) -> None:
    done = inside.post(at(issued, "report", what), {"note": "  left cheek  "}, follow=True)
    assert "Somebody from the clinic will call you." in done.text
    row = PatientReport.objects.get()
    assert (row.told, row.note, row.on, row.recorded_by) == (what, "left cheek", TODAY, None)
    long = inside.post(at(issued, "report", what), {"note": "x" * 501})
    assert long.status_code == 422
    assert "x" * 501 in long.text
    assert PatientReport.objects.count() == 1


def test_what_somebody_has_seen_to_or_is_a_day_old_is_not_undone(
    inside: Client, issued: IssuedLink, patient: Patient, at_noon: time_machine.Traveller
) -> None:
    seen = make_report(patient, handled_at=NOW, handled_note="called")
    old = make_report(patient)
    assert inside.post(at(issued, "undo", "report"), {"record": seen.public_id}).status_code == 409
    at_noon.move_to(NOW + timedelta(days=1, seconds=1))
    assert inside.post(at(issued, "undo", "report"), {"record": old.public_id}).status_code == 409
    assert not PatientReport.objects.filter(voided_at__isnull=False).exists()


@pytest.mark.parametrize(("person", "other"), [("wearer", "close_contact"), ("close_contact", "wearer")])
def test_an_implant_stops_magnets_at_once(
    inside: Client, issued: IssuedLink, patient: Patient, person: str, other: str
) -> None:
    done = inside.post(at(issued, "implant"), {"person": person, "implant": "pacemaker"}, follow=True)
    screen = MagnetScreen.objects.latest("pk")
    assert (getattr(screen, person), getattr(screen, other), screen.by_patient) == ("yes", "unknown", True)
    assert verdict(screening.newest_screen(patient.pk), as_of=TODAY).reason is Reason.YES
    assert "We give you no parts with magnets from now on." in done.text
    assert "at least 16 cm (6 inches)" in done.text  # the largest figure a regulator gives (TGA)
    assert "do not give up your therapy on your own" in done.text
    assert "Therapeutic Goods Administration" in done.text
    assert "Undo this" not in done.text


@pytest.mark.parametrize(
    "sent",
    [
        {},
        {"person": "wearer"},
        {"implant": "pacemaker"},
        {"person": "wearer", "implant": "cataract_lens"},
        {"person": "cat", "implant": "pacemaker"},
    ],
)
def test_half_an_implant_report_is_asked_for_again(
    inside: Client, issued: IssuedLink, sent: dict[str, str]
) -> None:
    before = MagnetScreen.objects.count()
    answer = inside.post(at(issued, "implant"), sent)
    assert answer.status_code == 422
    assert "Please choose one." in answer.text
    assert MagnetScreen.objects.count() == before
