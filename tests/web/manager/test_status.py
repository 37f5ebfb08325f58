"""The administrators' page about the machinery."""

import re
from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from resupply import clock
from resupply.delivery import doorbell
from resupply.models import Backup
from resupply.services import seals
from resupply.services.heartbeats import record_heartbeat
from resupply.web.wording import size_words
from tests.builders import make_patient
from tests.cast import Cast

pytestmark = pytest.mark.django_db


def words(cast: Cast) -> str:
    client = Client()
    client.force_login(cast.administrator.user)
    answer = client.get(reverse("manager:status"))
    assert answer.status_code == 200
    main = answer.content.decode().partition("<main")[2].partition("</main>")[0]
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", main))


def test_a_new_clinic_needs_somebody_and_a_watched_one_nobody(cast: Cast, settings: Any) -> None:
    said = words(cast)
    assert "No heartbeat comes through." in said
    assert "There is no backup of the last day." in said
    assert "Last heartbeat never" in said
    assert "Broke off" not in said

    now = clock.now()
    record_heartbeat(now=now)
    Backup.objects.create(began_at=now - timedelta(days=2), file_name="old", error="OSError")
    made = {"file_size": 388_084, "rows": 16_475, "key_id": "530bed7dbe84268d", "digest": "d" * 64}
    then = now - timedelta(hours=3)
    Backup.objects.create(began_at=then, finished_at=then, file_name="clinic.backup", **made)
    seals.seal_all(now=now)
    said = words(cast)
    assert "Nothing needs you." in said
    assert "Last backup 3 hours ago clinic.backup" in said
    assert "388 kB 16,475 rows, key 530bed7dbe84268d" in said
    assert "Migrations all there" in said
    assert re.search(r"Queue [0-9,]+ waiting", said)

    Backup.objects.create(began_at=now, file_name="new", error="OSError")
    settings.REDIS_URL, settings.BACKUP_KEYS = "redis://127.0.0.1:1/0", []
    said = words(cast)
    assert "Broke off since" in said
    assert "The queue does not answer." in said
    assert "Backups are switched off." in said


def test_no_patient_is_on_it(cast: Cast) -> None:
    make_patient(family_name="Quillfeather")
    said = words(cast)
    for word in ("Quillfeather", "Brandt", "Okafor", "patients.example"):
        assert word not in said


def test_the_queue_is_counted_or_does_not_answer(settings: Any) -> None:
    assert doorbell.rings(settings.REDIS_URL, "a-queue-nobody-uses") is not None
    assert doorbell.rings("redis://127.0.0.1:1/0", "resupply") is None
    assert doorbell.rings("memory://", "resupply") is None


@pytest.mark.parametrize(
    ("number", "said"),
    [(0, "0 bytes"), (999, "999 bytes"), (1000, "1.0 kB"), (388_084, "388 kB"), (4_200_000_000, "4.2 GB")],
)
def test_sizes(number: int, said: str) -> None:
    assert size_words(number) == said


def test_a_last_day_with_no_day_after_it_is_refused(cast: Cast) -> None:
    client = Client()
    client.force_login(cast.administrator.user)
    sent = {"name": "a", "purpose": "b", "resources": ["Patient"], "last_day": "9999-12-31"}
    answer = client.post(reverse("manager:sharing_new"), sent)
    assert answer.status_code == 422
    assert "at most a year ahead" in answer.content.decode()
