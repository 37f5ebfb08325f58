"""Private calendars: who has which address, and the identity of what they show over every kind of change."""

import hashlib
import threading
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta

import pytest
from django.db import connection, connections, transaction
from icalendar import Calendar

from resupply.models import FeedEntry, Patient, PatientStatus, PlanChecklist, PlanLine, Subscription
from resupply.services import feeds, people, plans
from resupply.services.errors import Refused
from resupply.services.feeds import Options
from tests.builders import NOW, make_dispense, make_event, make_patient, make_user

pytestmark = pytest.mark.django_db

LATER = NOW + timedelta(days=2, hours=3)
CHOICES = ("with_changes", "with_refills", "with_daily", "with_weekly", "with_monthly")
Shown = dict[str, tuple[int, datetime, date, str]]


@pytest.fixture
def patient() -> Patient:
    """Three cushions on 2026-03-01 and headgear since January; today is 2026-03-18."""
    found = make_patient(language="en")
    make_dispense(found, on=date(2026, 1, 5), lines=[{"part_code": "A7035"}])
    make_dispense(found, on=date(2026, 3, 1), lines=[{"quantity": 3}])
    refresh(found)
    return found


def refresh(patient: Patient, now: datetime = NOW) -> None:
    """What every write does last."""
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        plans.refresh_plans([patient.pk], now=now)


def subscribe(patient: Patient, **options: object) -> feeds.Issued:
    return feeds.subscribe(patient, Options(**options), by=None, now=NOW)  # type: ignore[arg-type]


def read(issued: feeds.Issued, now: datetime = NOW) -> Shown:
    """SEQUENCE, DTSTAMP, day and title by UID, as the address answers."""
    written = feeds.render(issued.subscription.pk, now=now)
    assert written is not None
    assert written.etag == hashlib.sha256(written.body).hexdigest()
    return {
        str(event["UID"]): (
            event["SEQUENCE"],
            event["DTSTAMP"].dt,
            event["DTSTART"].dt,
            str(event["SUMMARY"]),
        )
        for event in Calendar.from_ical(written.body).walk("VEVENT")
    }


def titles(shown: Shown) -> set[tuple[date, str]]:
    return {(day, title) for _, _, day, title in shown.values()}


def test_the_token_is_long_shown_once_and_stored_as_its_hash_alone(patient: Patient) -> None:
    issued = subscribe(patient)
    assert len(issued.token) >= 43  # 256 bits in URL-safe base64
    row = Subscription.objects.values().get(pk=issued.subscription.pk)
    assert row["token_hash"] == hashlib.sha256(issued.token.encode()).hexdigest()
    assert issued.token not in repr(row)
    assert subscribe(patient).token != issued.token


@pytest.mark.parametrize(
    ("options", "code"),
    [
        (dict.fromkeys(CHOICES, False), "nothing_chosen"),
        ({"alarm_hour": 24}, "alarm_hour"),
        ({"alarm_hour": -1}, "alarm_hour"),
        ({"label": "x" * 61}, "label_long"),
    ],
)
def test_choices_that_make_no_calendar_are_refused(
    patient: Patient, options: dict[str, object], code: str
) -> None:
    with pytest.raises(Refused) as refused:
        subscribe(patient, **options)
    assert refused.value.code == code
    assert not Subscription.objects.exists()


def test_who_gave_out_and_ended_an_address_is_kept(patient: Patient) -> None:
    ines, theo = make_user(), make_user()
    issued = feeds.subscribe(patient, Options(), by=ines, now=NOW)
    feeds.revoke(issued.subscription, by=theo, now=LATER)
    row = Subscription.objects.get()
    assert (row.created_by, row.created_at, row.revoked_by, row.revoked_at) == (ines, NOW, theo, LATER)


def test_a_revoked_address_answers_nothing_and_keeps_nothing(patient: Patient) -> None:
    issued = subscribe(patient)
    read(issued)
    feeds.revoke(issued.subscription, by=None, now=NOW)
    assert feeds.render(issued.subscription.pk, now=NOW) is None
    row = Subscription.objects.get()
    assert (bytes(row.body), row.etag) == (b"", "")
    with pytest.raises(Refused):
        feeds.revoke(issued.subscription, by=None, now=NOW)


def test_a_renewal_ends_the_old_address_and_keeps_the_choices(patient: Patient) -> None:
    old = subscribe(patient, label="tablet", detailed=True, with_refills=False, alarm_hour=7)
    new = feeds.renew(old.subscription, by=None, now=LATER)
    assert feeds.options_of(new.subscription) == feeds.options_of(old.subscription)
    assert new.token != old.token
    assert feeds.render(old.subscription.pk, now=LATER) is None
    assert (date(2026, 4, 1), "Change: cushion") in titles(read(new, LATER))
    with pytest.raises(Refused):
        feeds.renew(old.subscription, by=None, now=LATER)
    assert Subscription.objects.filter(revoked_at=None).count() == 1


def test_what_the_first_feed_shows(patient: Patient) -> None:
    """A cushion a month from 2026-03-01, headgear for six months from 2026-01-05; made on 2026-03-18."""
    assert titles(read(subscribe(patient))) == {
        (date(2026, 4, 1), "Change day"),
        (date(2026, 5, 1), "Change day"),
        (date(2026, 6, 1), "Change day: a new one is needed"),
        (date(2026, 7, 5), "Change day: a new one is needed"),
        (date(2026, 5, 2), "Time to restock"),
        (date(2026, 6, 5), "Time to restock"),
        (date(2026, 3, 18), "Daily care"),
        (date(2026, 3, 22), "Weekly care"),
    }


def test_rendering_again_or_after_a_rebuild_of_all_plans_changes_not_a_byte(patient: Patient) -> None:
    issued = subscribe(patient, detailed=True)
    before = feeds.render(issued.subscription.pk, now=NOW)
    PlanLine.objects.all().delete()
    PlanChecklist.objects.all().delete()
    list(plans.rebuild_plans(now=LATER))
    assert Subscription.objects.get().fresh_until is None
    assert feeds.render(issued.subscription.pk, now=LATER) == before
    assert not FeedEntry.objects.exclude(sequence=0).exists()


def test_only_what_changed_is_counted_and_stamped(patient: Patient) -> None:
    issued = subscribe(patient)
    before = read(issued)
    make_event(patient, "swap", on=date(2026, 3, 20))
    refresh(patient, LATER)
    after = read(issued, LATER)
    moved = {uid for uid in after if after[uid] != before.get(uid)}
    assert {after[uid][2] for uid in moved} == {date(2026, 4, 20), date(2026, 5, 20), date(2026, 4, 20)}
    for uid in moved & before.keys():
        assert after[uid][0] == before[uid][0] + 1
        assert after[uid][1] == LATER
    assert before.keys() - after.keys(), "the change that was reported is no longer to come"
    for uid in after.keys() - moved:
        assert after[uid] == before[uid]


def test_an_entry_that_returns_carries_on_counting(patient: Patient) -> None:
    issued = subscribe(patient, **dict.fromkeys(CHOICES[1:], False))
    before = read(issued)
    pause = make_event(patient, "pause", on=date(2026, 3, 18))
    refresh(patient, LATER)
    assert read(issued, LATER) == {}
    pause.voided_at, pause.void_reason = LATER, "entered for someone else"
    pause.save()
    back = LATER + timedelta(hours=1)
    refresh(patient, back)
    after = read(issued, back)
    assert after.keys() == before.keys()
    for uid in after:
        assert after[uid][0] == before[uid][0] + 1
        assert after[uid][1] == back
        assert after[uid][2:] == before[uid][2:]


def test_a_day_that_passes_changes_no_identity(patient: Patient) -> None:
    issued = subscribe(patient)
    before = read(issued)
    after_the_swap = datetime(2026, 4, 2, 15, 0, tzinfo=UTC)
    after = read(issued, after_the_swap)  # the plan has run out by then: it is refreshed on the way
    assert before.keys() - after.keys() == {
        uid for uid, (_, _, day, title) in before.items() if (day, title) == (date(2026, 4, 1), "Change day")
    }
    assert after == {uid: before[uid] for uid in after}


def test_calendars_of_one_patient_share_no_uid(patient: Patient) -> None:
    assert read(subscribe(patient)).keys().isdisjoint(read(subscribe(patient)).keys())


@pytest.mark.parametrize("status", [PatientStatus.ENDED, PatientStatus.DIED, PatientStatus.MOVED])
def test_a_patient_who_is_not_on_therapy_has_an_empty_calendar(patient: Patient, status: str) -> None:
    issued = subscribe(patient)
    assert read(issued)
    people.change_status(patient, status, now=LATER)
    assert read(issued, LATER) == {}
    people.change_status(patient, PatientStatus.ON_THERAPY, now=LATER)
    assert read(issued, LATER)


def _details(patient: Patient, **over: object) -> people.PatientDetails:
    values = {name: getattr(patient, name) for name in people.PatientDetails.__slots__}
    return people.PatientDetails(**(values | over))


@pytest.mark.parametrize(
    ("over", "title", "day"),
    [
        ({"cleaning_weekday": 2}, "Weekly care", date(2026, 3, 18)),
        ({"language": "es"}, "Cuidado semanal", date(2026, 3, 22)),
    ],
)
def test_what_no_plan_row_holds_makes_the_calendar_stale_too(
    patient: Patient, over: dict[str, object], title: str, day: date
) -> None:
    issued = subscribe(patient)
    before = read(issued)
    people.update_patient(patient, _details(patient, **over), now=LATER)
    after = read(issued, LATER)
    assert (day, title) in titles(after)
    assert after.keys() == before.keys()


def test_export_ahead_writes_what_is_stale_and_nothing_else(patient: Patient) -> None:
    stale, ended, fresh = subscribe(patient), subscribe(patient), subscribe(patient)
    feeds.revoke(ended.subscription, by=None, now=NOW)
    read(fresh)
    assert feeds.export_ahead(now=NOW) == 1
    row = Subscription.objects.get(pk=stale.subscription.pk)
    assert bytes(row.body).startswith(b"BEGIN:VCALENDAR")
    assert row.fresh_until == datetime(2026, 4, 1, 6, 0, tzinfo=UTC), "the next assumed swap, in Denver"
    assert feeds.export_ahead(now=NOW) == 0
    refresh(patient)
    assert feeds.export_ahead(now=NOW, limit=1) == 1
    assert feeds.export_ahead(now=NOW) == 1


def test_a_calendar_that_cannot_be_written_is_in_nobodys_way(
    patient: Patient, caplog: pytest.LogCaptureFixture
) -> None:
    lost = make_patient(language="xx")
    broken, fine = subscribe(lost), subscribe(patient)
    assert feeds.export_ahead(now=NOW) == 1
    assert bytes(Subscription.objects.get(pk=fine.subscription.pk).body)
    assert f"calendar {broken.subscription.public_id} could not be written" in caplog.text


def test_a_zone_that_nobody_knows_counts_as_utc(patient: Patient) -> None:
    Patient.objects.filter(pk=patient.pk).update(time_zone="Nowhere/At-all")
    assert read(subscribe(patient))


def test_a_body_runs_out_on_the_patients_own_day(patient: Patient) -> None:
    """The plan holds until 2026-04-01, which comes to Denver at 06:00 UTC."""
    issued = subscribe(patient)
    read(issued)
    assert feeds.export_ahead(now=datetime(2026, 4, 1, 5, 59, tzinfo=UTC)) == 0
    assert feeds.export_ahead(now=datetime(2026, 4, 1, 6, 0, tzinfo=UTC)) == 1


def test_the_last_fetch_is_kept_to_the_hour(patient: Patient) -> None:
    pk = subscribe(patient).subscription.pk

    def fetched(last: datetime | None, now: datetime) -> datetime | None:
        feeds.note_fetch(pk, last, now=now)
        return Subscription.objects.get(pk=pk).last_fetched_at

    assert fetched(None, NOW) == NOW
    assert fetched(NOW, NOW + timedelta(minutes=59)) == NOW
    assert fetched(NOW, NOW + timedelta(minutes=60)) == NOW + timedelta(minutes=60)


def in_thread(work: Callable[[], object]) -> threading.Thread:
    """Started, on a database connection of its own."""

    def run() -> None:
        work()
        connections.close_all()

    thread = threading.Thread(target=run)
    thread.start()
    return thread


@pytest.mark.django_db(transaction=True)
def test_two_workers_at_once_write_each_calendar_once() -> None:
    patient = make_patient()
    make_dispense(patient, on=date(2026, 3, 1), lines=[{"quantity": 3}])
    refresh(patient)
    issued = [subscribe(patient) for _ in range(4)]
    workers = [in_thread(lambda: feeds.export_ahead(now=NOW)) for _ in range(2)]
    for worker in workers:
        worker.join(20)
    assert not any(worker.is_alive() for worker in workers)
    assert Subscription.objects.exclude(fresh_until=None).count() == len(issued)
    assert set(FeedEntry.objects.values_list("sequence", flat=True)) == {0}
    keys = FeedEntry.objects.filter(subscription=issued[0].subscription).count()
    assert FeedEntry.objects.count() == keys * len(issued) > 0
    connection.close()


@pytest.mark.django_db(transaction=True)
def test_a_change_during_the_writing_is_never_overlooked() -> None:
    """A dispense commits while a rendering that read the plan before it is still open: it ends up stale."""
    patient = make_patient()
    make_dispense(patient, on=date(2026, 3, 1))
    refresh(patient)
    issued = subscribe(patient)
    reading, done = threading.Event(), threading.Event()

    def write_part() -> None:
        with transaction.atomic():
            plans.lock_patients([patient.pk])
            make_dispense(patient, on=date(2026, 3, 17), lines=[{"part_code": "A7037"}])
            reading.wait(10)
            plans.refresh_plans([patient.pk], now=NOW)
        done.set()

    thread = in_thread(write_part)
    with transaction.atomic():
        before = feeds.render(issued.subscription.pk, now=NOW)
        reading.set()
        assert not done.wait(0.3), "the change waits for the writing"
    thread.join(10)
    assert done.is_set()
    assert Subscription.objects.get().fresh_until is None
    assert feeds.render(issued.subscription.pk, now=NOW) != before
    connection.close()
