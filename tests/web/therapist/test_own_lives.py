"""How long parts last a patient, on screen: seen by all who care, set by therapists."""

from datetime import date

import pytest
from django.urls import reverse

from resupply.models import LifeVersion
from resupply.services import plans
from tests.builders import NOW, TODAY, make_dispense
from tests.web.pages import text

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("usual_day")]
SENT = {
    "part_code": "A7032",
    "period_count": "2",
    "period_unit": "week",
    "effective_from": "2026-03-02",
    "reason": "skin reaction",
}


@pytest.fixture
def wearer(cast):
    make_dispense(cast.odalys, on=date(2026, 3, 1), lines=[{}])
    plans.refresh_plans([cast.odalys.pk], now=NOW)
    return cast.odalys


def address(name, person, *more):
    return reverse(f"therapist:{name}", args=[person.public_id, *more])


def test_set_shown_and_taken_back(wearer, therapist):
    page = text(therapist.post(address("own_life_new", wearer), SENT, follow=True))
    assert "worn after 2 weeks from Mon 2 Mar, for this patient." in page
    assert "2 weeks since Mon 2 Mar" in page
    assert "skin reaction" in page
    why = reverse("desk:why", args=[wearer.public_id, "cushion"])
    assert "this patient&#x27;s own life from Mon 2 Mar" in text(therapist.get(why))
    void = address("own_life_void", wearer, LifeVersion.objects.get().pk)
    page = text(therapist.post(void, {"reason": "another patient"}, follow=True))
    assert "as the policy says" in page
    assert "another patient" in page


def test_a_row_brings_its_part_along(wearer, therapist):
    page = therapist.get(address("own_life_new", wearer) + "?part=A7032").content.decode()
    assert '<option value="A7032" selected>' in page


def test_back_to_the_policy_where_nothing_was_set_is_refused_at_the_part(wearer, therapist):
    answer = therapist.post(address("own_life_new", wearer), SENT | {"period_count": ""})
    assert answer.status_code == 422
    assert "so the policy does. Check the part and the day." in text(answer)
    assert "skin reaction" in answer.content.decode()


def test_the_desk_sees_it_and_is_offered_no_change(wearer, ines):
    page = text(ines.get(address("own_lives", wearer)))
    assert "1 month" in page
    assert "What was set Nothing" in page
    assert address("own_life_new", wearer) not in ines.get(address("own_lives", wearer)).content.decode()


def test_anothers_version_is_not_found(wearer, cast, therapist):
    row = LifeVersion.objects.create(
        patient=cast.tevin, part_code="A7032", period_count=1, effective_from=TODAY, reason="his"
    )
    assert therapist.get(address("own_life_void", wearer, row.pk)).status_code == 404
