"""The export_feed command: the feed's bytes as of any day, from the records, writing nothing."""

import hashlib
import subprocess
import sys
from datetime import date, timedelta
from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from icalendar import Calendar

from resupply.models import FeedEntry, Patient, PlanLine, Subscription
from resupply.services import feeds
from resupply.services.feeds import Options
from tests.builders import NOW, TODAY, make_dispense, make_event, make_patient

pytestmark = pytest.mark.django_db


@pytest.fixture
def patient() -> Patient:
    """Three cushions on 2026-03-01."""
    found = make_patient(reference="P-7")
    make_dispense(found, on=date(2026, 3, 1), lines=[{"quantity": 3}])
    return found


def export(as_of: date, reference: str = "P-7") -> str:
    out = StringIO()
    call_command("export_feed", reference, as_of=as_of, stdout=out)
    return out.getvalue()


def days(text: str) -> list[tuple[str, str]]:
    events = Calendar.from_ical(text).walk("VEVENT")
    return sorted((event["DTSTART"].dt.isoformat(), str(event["SUMMARY"])) for event in events)


def test_a_patient_without_a_calendar_has_a_preview_that_stays_the_same(patient: Patient) -> None:
    first = export(date(2026, 3, 18))
    assert days(first) == [
        ("2026-03-18", "Daily care"),
        ("2026-03-22", "Weekly care"),
        ("2026-04-01", "Change day"),
        ("2026-05-01", "Change day"),
        ("2026-05-02", "Time to restock"),
        ("2026-06-01", "Change day: a new one is needed"),
    ]
    assert export(date(2026, 3, 18)) == first
    for model in (Subscription, FeedEntry, PlanLine):
        assert not model.objects.exists()


def test_later_facts_are_ignored_and_any_day_can_be_asked_for(patient: Patient) -> None:
    before = export(date(2026, 3, 18))
    make_event(patient, "swap", on=date(2026, 3, 25))
    assert export(date(2026, 3, 18)) == before
    assert ("2026-04-25", "Change day") in days(export(date(2026, 3, 25)))
    assert days(export(date(2026, 2, 1))) == []
    assert ("2026-06-25", "Change day: a new one is needed") not in days(export(date(2027, 1, 1)))


def test_the_live_calendar_gives_the_choices_and_the_identity(patient: Patient) -> None:
    issued = feeds.subscribe(patient, Options(detailed=True, alarm_hour=8), by=None, now=NOW)
    written = feeds.render(issued.subscription.pk, now=NOW)
    assert written is not None
    assert export(TODAY).encode() == written.body
    assert export(TODAY).encode() == written.body
    row = Subscription.objects.get()
    assert row.etag == hashlib.sha256(written.body).hexdigest()


def test_what_would_differ_on_that_day_is_counted_once_more_and_not_stored(patient: Patient) -> None:
    issued = feeds.subscribe(patient, Options(), by=None, now=NOW)
    feeds.render(issued.subscription.pk, now=NOW)
    make_event(patient, "swap", on=date(2026, 3, 20))
    sequences = {
        event["DTSTART"].dt: event["SEQUENCE"]
        for event in Calendar.from_ical(export(date(2026, 3, 20))).walk("VEVENT")
    }
    assert sequences[date(2026, 4, 20)] == 1  # moved from 2026-05-01
    assert sequences[date(2026, 3, 22)] == 0  # the weekly checklist
    assert set(FeedEntry.objects.values_list("sequence", flat=True)) == {0}


def test_a_revoked_calendar_lends_nothing(patient: Patient) -> None:
    preview = export(TODAY)
    issued = feeds.subscribe(patient, Options(detailed=True), by=None, now=NOW)
    feeds.revoke(issued.subscription, by=None, now=NOW + timedelta(hours=1))
    assert export(TODAY) == preview


def test_an_unknown_reference_is_an_error_that_repeats_no_patient_data() -> None:
    with pytest.raises(CommandError, match="No patient has this reference"):
        export(TODAY, "nobody")


@pytest.mark.django_db(transaction=True)
def test_the_bytes_on_standard_output_are_the_feeds(patient: Patient) -> None:
    """As another program would run it; CRLF arrives as CRLF."""
    from django.db import connection

    database = connection.settings_dict
    url = f"postgresql://{database['USER']}@/{database['NAME']}?host={database['HOST']}"
    if database.get("PORT"):
        url += f"&port={database['PORT']}"
    run = subprocess.run(
        [sys.executable, "manage.py", "export_feed", "P-7", "--as-of", "2026-03-18"],
        capture_output=True,
        check=True,
        env=_environment(url),
    )
    assert run.stdout.decode() == export(date(2026, 3, 18))
    assert run.stdout.startswith(b"BEGIN:VCALENDAR\r\n")


def _environment(url: str) -> dict[str, str]:
    """What the command needs, and no Redis."""
    import os

    return {"DEMO": "1", "DATABASE_URL": url, "PATH": os.environ["PATH"]}
