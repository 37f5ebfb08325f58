"""The plan of follow-ups and the windows of re-evaluation: changed, and what follows on the work list."""

from datetime import date, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from resupply.models import FollowUpPlanVersion
from resupply.queries.reevaluations import reevaluating
from resupply.services import policies
from resupply.services.errors import Refused
from tests.builders import (
    TODAY,
    make_follow_up,
    make_follow_up_plan,
    make_nights,
    make_patient,
    make_payer,
)
from tests.web.pages import text

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("usual_day")]


def steps(*rows):
    sent = {"steps-TOTAL_FORMS": str(len(rows)), "steps-INITIAL_FORMS": "0"}
    for place, (name, first, last) in enumerate(rows):
        sent |= {f"steps-{place}-name": name, f"steps-{place}-from_day": first, f"steps-{place}-to_day": last}
    return sent | {"effective_from": "2026-03-18", "reason": "earlier contact helps"}


def test_a_new_plan_counts_and_can_be_taken_back(cast, therapist):
    cast.odalys.therapy_started_on = TODAY - timedelta(days=2)
    cast.odalys.save()
    assert "Nobody is to be contacted" in text(therapist.get(reverse("therapist:work")))
    page = text(
        therapist.post(reverse("therapist:plan_new"), steps(("Second day", 1, 2), ("", "", "")), follow=True)
    )
    assert "Plan recorded, in force from" in page
    assert "Second day day 1 to 2" in page
    assert "Odalys Brandt" in text(therapist.get(reverse("therapist:work")))
    version = FollowUpPlanVersion.objects.get()
    page = text(
        therapist.post(
            reverse("therapist:plan_void", args=[version.pk]), {"reason": "too early"}, follow=True
        )
    )
    assert "First week" in page
    assert "too early" in page


@pytest.mark.parametrize(
    ("row", "says"),
    [
        (("Second day", "", ""), "Fill in the name and both days"),
        (("Second day", 3, 2), "the first before the last"),
        (("Second day", -1, 2), "Enter 0 or more."),
    ],
)
def test_a_plan_that_cannot_be_keeps_what_was_typed(cast, therapist, row, says):
    answer = therapist.post(reverse("therapist:plan_new"), steps(row))
    assert answer.status_code == 422
    assert says in text(answer)
    assert 'value="Second day"' in answer.content.decode()
    assert not FollowUpPlanVersion.objects.exists()


def test_a_payers_window_is_a_policys_or_its_own(cast, therapist):
    address = reverse("therapist:payer_window", args=[cast.payer.pk])
    page = text(therapist.post(address, {"policy": "pap", "first": "", "last": ""}, follow=True))
    assert "PAP policy, day 31 to 91" in page
    page = text(therapist.post(address, {"policy": "rad", "first": "", "last": "100"}, follow=True))
    assert "Respiratory assist policy, day 61 to 100" in page
    refused = therapist.post(address, {"policy": "pap", "first": "95", "last": ""})
    assert refused.status_code == 422
    assert "the first before the last" in text(refused)
    for policy, first in (("other", None), ("", 3)):
        with pytest.raises(Refused):
            policies.set_reevaluation(cast.payer, policy, first=first, last=None)


def test_what_is_missing_is_listed_until_nothing_is(therapist):
    """Window of day 31 to 91 (CMS LCD L33718 as the contractors restate it): therapy began 60 days ago."""
    payer, start = make_payer(reevaluation="pap"), TODAY - timedelta(days=60)

    def missing():
        return {row.patient: row.missing for row in reevaluating(set(), today=TODAY)}

    person = make_patient(payer=payer, therapy_started_on=start)
    make_patient(therapy_started_on=start)
    make_patient(payer=payer, therapy_started_on=date(2024, 1, 1))
    early = make_patient(payer=payer, therapy_started_on=TODAY - timedelta(days=9))
    assert missing() == {person: ("nights", "seen"), early: ("nights",)}
    make_nights(person, first=start, minutes=[200] * 40)
    assert missing()[person] == ("use", "seen")
    page = text(therapist.get(reverse("therapist:work")))
    assert "4 hours on 21 of 30 nights, the visit" in page
    make_follow_up(person, on=start + timedelta(days=20), is_reevaluation=True)
    assert missing()[person] == ("use", "seen"), "a visit before the window does not count"
    make_nights(person, first=start + timedelta(days=40), minutes=[300] * 20)
    make_follow_up(person, on=start + timedelta(days=31), is_reevaluation=True)
    assert missing()[person] == ("use",)


def test_as_many_queries_for_many_as_for_one():
    payer = make_payer(reevaluation="pap")

    def asked():
        with CaptureQueriesContext(connection) as queries:
            found = reevaluating(set(), today=TODAY)
        return len(queries), len(found)

    make_patient(payer=payer, therapy_started_on=TODAY - timedelta(days=40))
    count, _ = asked()
    for _ in range(4):
        make_nights(
            make_patient(payer=payer, therapy_started_on=TODAY - timedelta(days=40)),
            first=TODAY - timedelta(days=40),
            minutes=[100] * 30,
        )
    assert asked() == (count, 5)


def test_the_plan_page_shows_versions_and_sources(therapist):
    make_follow_up_plan()
    page = text(therapist.get(reverse("therapist:plans")))
    assert "agreed by the team" in page
    assert "CMS LCD L33800" in page
