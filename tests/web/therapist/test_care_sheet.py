"""The care sheet on screen and paper, its wording's approval, and the clinic's own matching table."""

from datetime import date

import pytest
from django.test import Client
from django.urls import reverse

from resupply.delivery.care_sheets import care_sheet_pdf
from resupply.models import MatchingVersion, TextReview
from resupply.queries import care_sheets
from resupply.rules.matching_table import shipped_text
from resupply.services import plans
from tests.builders import (
    NOW,
    TODAY,
    make_dispense,
    make_follow_up_plan,
    make_item,
    make_matching_version,
    make_text_review,
)
from tests.web.pages import text

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("usual_day")]


def client_of(cast, role="therapist"):
    client = Client()
    client.force_login(cast.user(role))
    return client


@pytest.fixture
def worn(cast):
    item = make_item(kind="mask", part_code="A7030", style="full_face", magnetic="no", name="Alder full")
    lines = [{"part_code": "A7030", "item": item}, {"part_code": "A7037"}, {"part_code": "A7046"}]
    make_dispense(cast.odalys, on=date(2026, 3, 1), lines=lines)
    plans.refresh_plans([cast.odalys.pk], now=NOW)
    return cast.odalys


def test_the_sheet_holds_this_patients_steps_parts_and_cleaning(cast, worn):
    page = text(client_of(cast, "desk").get(reverse("therapist:care_sheet", args=[worn.public_id])))
    assert "Mask: Alder full" in page
    assert "Fasten the upper straps first" in page
    assert "Empty the water chamber" in page
    assert "Do not use an ozone or UV cleaning machine." in page
    assert "Be sure you can take the mask off by yourself" in page
    assert "Not yet reviewed" not in page


def test_in_spanish_staff_see_that_nobody_has_reviewed_it_until_somebody_does(cast, worn):
    address = reverse("therapist:care_sheet", args=[worn.public_id]) + "?language=es"
    client = client_of(cast)
    page = text(client.get(address))
    assert "Su mascarilla y su cuidado" in page
    assert "Not yet reviewed by a qualified reader." in page
    make_text_review()
    assert "Not yet reviewed" in text(client.get(address)), "an approval of another wording does not count"
    form = client.get(reverse("therapist:texts")).context["form"]
    sent = {
        "digest": form["digest"].value(), "language": "es", "reviewer": "Rea Dorval",
        "qualification": "certified medical interpreter", "reviewed_on": "2026-03-18",
    }  # fmt: skip
    assert "Approval by Rea Dorval recorded." in text(
        client.post(reverse("therapist:texts"), sent, follow=True)
    )
    assert "Not yet reviewed" not in text(client.get(address))
    review = TextReview.objects.latest("pk")
    client.post(reverse("therapist:text_void", args=[review.pk]), {"reason": "not certified"})
    assert "Not yet reviewed" in text(client.get(address))


@pytest.mark.parametrize(
    ("sent", "says"),
    [
        ({"digest": "0" * 64}, "has changed since it was shown"),
        ({"reviewer": ""}, "Fill this in."),
        ({"reviewed_on": "2026-03-19"}, "has not come yet"),
    ],
)
def test_an_approval_that_cannot_be_is_refused(cast, sent, says):
    whole = {
        "digest": care_sheets.digest("es"), "language": "es", "reviewer": "Rea Dorval",
        "qualification": "interpreter", "reviewed_on": "2026-03-18",
    }  # fmt: skip
    answer = client_of(cast).post(reverse("therapist:texts"), whole | sent)
    assert answer.status_code == 422
    assert says in text(answer)
    assert not TextReview.objects.exists()


@pytest.mark.parametrize("language", care_sheets.LANGUAGES)
def test_the_paper_is_one_page_and_the_same_bytes_each_time(cast, worn, language):
    sheet = care_sheets.care_sheet(worn, language=language, today=TODAY)
    once, again = (care_sheet_pdf(sheet, clinic_name="Juniper Bend") for _ in range(2))
    assert once == again
    assert once.count(b"/Type /Page\n") == 1
    assert worn.family_name.encode() not in once.partition(b"stream")[0]
    answer = client_of(cast).get(reverse("therapist:care_sheet_pdf", args=[worn.public_id]))
    assert answer["Content-Type"] == "application/pdf"
    assert answer["Cache-Control"] == "no-store"
    assert worn.reference not in answer["Content-Disposition"]


def test_without_a_style_on_record_the_sheet_says_so(cast):
    make_dispense(cast.odalys, on=date(2026, 3, 1), lines=[{"part_code": "A7037"}])
    plans.refresh_plans([cast.odalys.pk], now=NOW)
    page = text(client_of(cast).get(reverse("therapist:care_sheet", args=[cast.odalys.public_id])))
    assert "The style of the mask is not on record" in page
    assert "Putting it on" not in page


def test_every_sentence_has_both_languages():
    assert all(english and spanish and english != spanish for english, spanish in care_sheets.pairs())
    assert care_sheets.digest("en") != care_sheets.digest("es")


def test_a_new_table_is_compared_before_it_is_put_in_force(cast):
    client, address = client_of(cast), reverse("therapist:matching_new")
    table = shipped_text().replace("weight = 2", "weight = 3", 1)
    sent = {"table": table, "effective_from": "2026-03-18", "reason": "a year of our own fittings"}
    look = text(client.post(address, sent | {"compare": "1"}))
    assert "What it changes" in look
    assert "nasal_first" in look
    assert not MatchingVersion.objects.exists()
    page = text(client.post(address, sent, follow=True))
    assert "Table recorded, in force from" in page
    assert "1 row unlike the shipped table" in text(client.get(reverse("therapist:matching")))


def test_who_may_change_policy_drafts_the_table_and_the_plan(cast):
    client, row, plan = client_of(cast, "manager"), make_matching_version(), make_follow_up_plan()
    for name, args, kind in (
        ("matching_new", [], "new/matching"),
        ("plan_new", [], "new/follow_ups"),
        ("matching_void", [row.public_id], f"versions/matching/{row.pk}/void"),
        ("plan_void", [plan.pk], f"versions/follow_ups/{plan.pk}/void"),
    ):
        answer = client.post(reverse(f"therapist:{name}", args=args), {"reason": "x"})
        assert answer["Location"] == f"/manager/policy/{kind}/"
    row.refresh_from_db()
    assert not row.is_voided


def test_a_table_that_cannot_be_used_keeps_what_was_typed(cast):
    client, address = client_of(cast), reverse("therapist:matching_new")
    sent = {"table": "[[style]]\nid = 'mine'", "effective_from": "2026-03-18", "reason": "x"}
    answer = client.post(address, sent)
    assert answer.status_code == 422
    assert "“name” is missing" in text(answer)
    assert "&#x27;mine&#x27;" in answer.content.decode()
    assert not MatchingVersion.objects.exists()


def test_a_version_is_shown_with_what_differs_and_voided(cast):
    row = make_matching_version(table=shipped_text().replace("suits_from = 1", "suits_from = 2"))
    client = client_of(cast)
    assert "suits_from" in text(client.get(reverse("therapist:matching_version", args=[row.public_id])))
    void = reverse("therapist:matching_void", args=[row.public_id])
    page = text(client.post(void, {"reason": "not agreed"}, follow=True))
    assert "Voided: not agreed." in page
    assert "Shipped with the program in force" in page
