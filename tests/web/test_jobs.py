"""Jobs as pages: what stopping one, or removing its file, says and does."""

import pytest
from django.test import Client
from django.urls import reverse

from resupply.models import Job, JobPart
from resupply.web import jobs
from tests.builders import make_job
from tests.cast import Cast
from tests.web.pages import text

pytestmark = pytest.mark.usefixtures("usual_day")


def test_a_job_that_failed_has_no_file_to_remove(cast: Cast, marta: Client) -> None:
    job = make_job(cast.user("manager"), state="failed", outcome="It broke off.", file_size=None)
    asked = text(marta.get(reverse("job_drop", args=[job.public_id])))
    assert "Stop this job" in asked
    assert "is not tried again" in asked
    assert "Remove the file" not in asked
    marta.post(reverse("job_drop", args=[job.public_id]))
    assert "This job was given up." in text(marta.get(reverse("job", args=[job.public_id])))


def test_a_job_that_is_done_stays_done_without_its_file(cast: Cast, marta: Client) -> None:
    job = make_job(cast.user("manager"))
    assert "Remove the file of this job" in text(marta.get(reverse("job_drop", args=[job.public_id])))
    page = text(marta.post(reverse("job_drop", args=[job.public_id]), follow=True))
    assert "2 rows." in page
    assert "Its file has been removed." in page
    assert "given up" not in page
    assert (Job.objects.get().file_size, JobPart.objects.count()) == (None, 0)


def test_a_list_that_is_cut_says_so(cast: Cast, marta: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    for _ in range(2):
        make_job(cast.user("manager"))
    assert "newest" not in text(marta.get(reverse("jobs")))
    monkeypatch.setattr(jobs, "LISTED", 1)
    assert "Only the newest 1 job that you asked for." in text(marta.get(reverse("jobs")))
