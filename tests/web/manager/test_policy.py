"""The policy workbench: versions in one shape; drafts kept as typed, previewed, applied, dropped, voided."""

from datetime import date, time

import pytest
from django.test import Client
from django.urls import reverse

from resupply.models import (
    DraftState,
    JobState,
    LifeVersion,
    MessageTermsVersion,
    PlanLine,
    PolicyDraft,
    PolicyKind,
)
from resupply.queries import follow_ups as follow_ups_of
from resupply.queries.matching import table_on
from resupply.queries.message_terms import schedule
from resupply.queries.names import staff_name
from resupply.rules.matching_table import shipped_text
from resupply.services import job_kinds, jobs, plans
from tests.builders import (
    NOW,
    make_allowance,
    make_consent,
    make_dispense,
    make_follow_up_plan,
    make_life,
    make_match,
    make_policy_draft,
)
from tests.cast import Cast
from tests.web.pages import text

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("usual_day")]
LIST = "/manager/policy/"
LIFE = {"part_code": "A7032", "period_count": "2", "period_unit": "month", "effective_from": "2026-03-18"}


@pytest.fixture
def marta(cast: Cast, client: Client) -> Client:
    """The manager, signed in; each patient has a cushion."""
    for patient in (cast.odalys, cast.tevin):
        make_dispense(patient, on=date(2026, 3, 1), lines=[{}])
    plans.refresh_plans([cast.odalys.pk, cast.tevin.pk], now=NOW)
    client.force_login(cast.manager.user)
    return client


def work() -> None:
    """What the worker does when the bell rings."""
    assert job_kinds.__all__
    while jobs.work(now=NOW):
        pass


def drafted(marta: Client, **over: str) -> str:
    """The address of a new draft."""
    values = {**LIFE, "reason": "seen to last", "source": "our count of returns"} | over
    return str(marta.post(f"{LIST}new/life/", values)["Location"])


def test_a_draft_is_previewed_applied_and_then_on_record(cast: Cast, marta: Client) -> None:
    url = drafted(marta)
    assert "Not previewed yet." in text(marta.get(url))
    marta.post(url, {"act": "preview"})
    assert "Waiting for a worker" in text(marta.get(url))
    work()
    page = text(marta.get(url))
    assert "2 of 2 lines move, counted on Wed 18 Mar" in page
    assert "Comes later 2" in page
    assert "Wed 1 Apr → Fri 1 May" in page
    assert PlanLine.objects.filter(supply_ends_on=date(2026, 4, 1)).count() == 2
    table = b"".join(marta.get(f"{url.rstrip('/')}.csv").streaming_content).decode("utf-8-sig")
    assert table.count("later") == 2
    assert "Brandt" not in text(marta.get(f"{url}?change=sooner"))
    marta.post(url, {"act": "apply"})
    assert PlanLine.objects.filter(supply_ends_on=date(2026, 4, 1)).count() == 2
    work()
    assert PlanLine.objects.filter(supply_ends_on=date(2026, 5, 1)).count() == 2
    assert "Applied. Every plan follows it" in text(marta.get(url))
    page = text(marta.get(LIST))
    assert "A7032 Cushion for a nasal mask worn after 2 months in force Wed 18 Mar" in page
    assert "seen to last Source: our count of returns" in page


def test_a_version_is_voided_by_a_draft_with_a_reason(cast: Cast, marta: Client) -> None:
    version = make_life(effective_from=date(2026, 4, 18))
    assert "worn after 1 month planned Sat 18 Apr" in text(marta.get(LIST))
    url = reverse("manager:policy_void", args=["life", version.pk])
    assert marta.post(url, {"reason": " "}).status_code == 422
    draft = marta.post(url, {"reason": "meant another code"})["Location"]
    for act in ("preview", "apply"):
        marta.post(draft, {"act": act})
        work()
    version.refresh_from_db()
    assert (version.void_reason, version.voided_by) == ("meant another code", cast.manager.user)
    assert marta.get(url).status_code == 404


def test_what_is_refused_keeps_what_was_typed(marta: Client) -> None:
    answer = marta.post(f"{LIST}new/life/", {**LIFE, "period_count": "1201", "reason": "kept text"})
    assert answer.status_code == 422
    assert b'value="1201"' in answer.content
    assert b"kept text" in answer.content
    assert "Enter a life of 1 to 1200 days, weeks or months." in text(answer)
    answer = marta.post(
        f"{LIST}new/refill/", {"contact_lead_days": "5", "delivery_lead_days": "9"} | LIFE | {"reason": "x"}
    )
    assert "Ask no later than you dispense" in text(answer)
    assert not PolicyDraft.objects.exists()
    assert marta.get(f"{LIST}new/nothing/").status_code == 404


def test_a_draft_is_changed_dropped_and_not_applied_unseen(marta: Client) -> None:
    url = drafted(marta)
    marta.post(url, {"act": "apply"})
    draft = PolicyDraft.objects.get()
    assert (draft.state, LifeVersion.objects.count()) == (DraftState.DRAFT, 0)
    marta.post(url, {"act": "preview"})
    work()
    assert b'value="2"' in marta.get(f"{url}change/").content
    marta.post(f"{url}change/", LIFE | {"period_count": "3", "reason": "longer still"})
    draft.refresh_from_db()
    assert (draft.state, draft.values["period_count"]) == (DraftState.DRAFT, 3)
    marta.post(url, {"act": "drop"})
    assert "Dropped. No plan follows it." in text(marta.get(url))
    marta.post(url, {"act": "preview"})
    draft.refresh_from_db()
    assert draft.state == DraftState.DROPPED


def test_a_change_under_way_can_be_given_up(marta: Client) -> None:
    url = drafted(marta)
    marta.post(url, {"act": "preview"})
    work()
    marta.post(url, {"act": "apply"})
    assert "All pages show the rule before it" in text(marta.get(url))
    marta.post(url, {"act": "give_up"})
    work()
    assert (LifeVersion.objects.count(), PlanLine.stored.count()) == (0, 2)
    assert set(jobs.asking.Job.objects.values_list("state", flat=True)) == {JobState.DONE}


@pytest.mark.parametrize("stopped", [JobState.FAILED, JobState.DROPPED])
def test_a_change_that_stopped_is_gone_on_with(marta: Client, stopped: JobState) -> None:
    url = drafted(marta)
    marta.post(url, {"act": "preview"})
    work()
    marta.post(url, {"act": "go_on"})
    assert "has not stopped" in text(marta.get(url))
    marta.post(url, {"act": "apply"})
    jobs.asking.Job.objects.filter(state=JobState.WAITING).update(state=stopped)
    page = text(marta.get(url))
    assert "The work on this draft has stopped." in page
    assert "Go on with the work" in page
    marta.post(url, {"act": "go_on"})
    work()
    assert "Applied. Every plan follows it" in text(marta.get(url))
    assert LifeVersion.objects.count() == 1


def test_every_kind_has_a_form_and_is_listed_in_words(cast: Cast, marta: Client) -> None:
    make_allowance(cast.payer)
    for kind in PolicyKind:
        assert marta.get(f"{LIST}new/{kind.value}/").status_code == 200
    make_policy_draft(kind="terms", values={"gap_days": 9, "target_count": 2, "target_unit": "month"})
    page = text(marta.get(LIST))
    assert (
        "Payer B: A7032 Cushion for a nasal mask 2 units per month, at most 3 periods at once in force"
        in page
    )
    assert (
        "no question for 9 days after a delivery; a refill aims at 2 months, from Wed 18 Mar · Draft" in page
    )
    assert "see it in full : Matching table" in page


def test_a_manager_of_one_location_sees_its_patients_alone(cast: Cast, marta: Client) -> None:
    cast.manager.locations.set([cast.north])
    url = drafted(marta)
    marta.post(url, {"act": "preview"})
    work()
    page = text(marta.get(url))
    assert "1 of 1 line move" in page
    assert "Odalys Brandt" in page
    assert cast.tevin.family_name not in page


def test_rules_that_move_no_plan_are_drafted_with_what_they_would_do(cast: Cast, marta: Client) -> None:
    """The matching table, the plan of follow-ups and terms of messages: begun from what is in force, shown
    with their effect, then in force.
    """
    make_consent(cast.odalys)
    make_match(cast.odalys, answers={"congestion": ["chronic"]})
    cast.odalys.therapy_started_on = date(2026, 3, 10)
    cast.odalys.save()
    begun = {"effective_from": "2026-03-18", "reason": "as agreed", "source": "a guideline"}
    table = shipped_text().replace("[[rule]]", "[[dropped]]").split("[[dropped]]")[0]
    steps = {"name_0": "First call", "from_day_0": "10", "to_day_0": "20"}
    terms = {"opens": "10:00", "closes": "18:00", "per_week": "1"}
    terms |= {"second_ask_days": "9", "link_ahead_days": "3"}
    for kind, values, says in (
        ("matching", {"table": table}, "1 of 1 patients with answers would be judged otherwise"),
        ("follow_ups", steps, "first call: Fri 20 Mar to Mon 30 Mar"),
        ("messages", terms, "Step: asks once more"),
    ):
        form = marta.get(f"{LIST}new/{kind}/").content.decode()
        assert any(begun_from in form for begun_from in ("First week", "[[rule]]", 'value="09:00" selected'))
        url = marta.post(f"{LIST}new/{kind}/", {**begun, **values})["Location"]
        marta.post(url, {"act": "preview"})
        work()
        assert says in text(marta.get(url)), kind
        assert marta.get(f"{url.rstrip('/')}.csv").status_code == 200
        assert marta.get(f"{url}change/").status_code == 200
        marta.post(url, {"act": "apply"})
        assert "Applied. It counts from its day on" in text(marta.get(url))
    assert follow_ups_of.plan_on(date(2026, 3, 18))[0].name == "First call"
    assert schedule().on(date(2026, 3, 18)).second_ask_days == 9
    assert not table_on(date(2026, 3, 18)).table.rules
    page = text(marta.get(LIST))
    assert "First call, day 10 to 20 in force Wed 18 Mar" in page
    assert "as agreed Source: a guideline" in page
    kept = marta.post(f"{LIST}new/follow_ups/", {**begun, **steps, "name_1": "Second"})
    assert (kept.status_code, "Fill in the name and both days" in text(kept)) == (422, True)
    assert b'value="First call"' in kept.content


def test_hours_too_short_for_all_zones_are_warned_of_where_they_are_set(cast: Cast, marta: Client) -> None:
    values = {"effective_from": "2026-03-18", "reason": "as agreed", "per_week": "1", "link_ahead_days": "3"}
    values |= {"opens": "09:00", "second_ask_days": "9"}
    says = "too short to hold in all time zones"
    for closes, warned in (("12:00", True), ("18:00", False)):
        url = marta.post(f"{LIST}new/messages/", {**values, "closes": closes})["Location"]
        assert (says in text(marta.get(url))) is warned
    assert says not in text(marta.get(reverse("manager:message_terms")))
    MessageTermsVersion.objects.create(
        effective_from=date(2026, 1, 1), opens=time(9), closes=time(12), reason="as agreed", recorded_at=NOW
    )
    assert says in text(marta.get(reverse("manager:message_terms")))


def test_the_first_patients_are_drawn_before_and_after(marta: Client) -> None:
    url = drafted(marta)
    marta.post(url, {"act": "preview"})
    work()
    page = marta.get(url)
    assert page.content.count(b"<small>with the draft<") == page.content.count(b"<small>as it is now<") == 2
    assert "Cushion as it is now Ask now Supply ends Wed 1 Apr" in text(page)
    assert "Cushion with the draft In supply Supply ends Fri 1 May" in text(page)


def test_the_list_is_narrowed_and_past_versions_are_asked_for(cast: Cast, marta: Client) -> None:
    make_allowance(cast.payer)
    make_life(effective_from=date(2025, 1, 1), period_count=5)
    make_life(effective_from=date(2026, 1, 1))
    page = text(marta.get(LIST))
    assert "worn after 5 months" not in page
    assert "Payer B 2 versions" in page
    assert "worn after 5 months" in text(marta.get(f"{LIST}?state=all"))
    narrowed = marta.get(f"{LIST}?payer={cast.payer.pk}").content.decode()
    assert '<details class="fold" open>' in narrowed
    assert "Life of a part</h2>" not in narrowed


def test_a_plan_of_more_steps_than_usual_is_drafted_whole(marta: Client) -> None:
    """What a therapist recorded with nine steps is not cut to the six that a new form shows."""
    steps = [
        {"step": f"s{n}", "name": f"Call {n}", "from_day": n * 10, "to_day": n * 10 + 5} for n in range(9)
    ]
    make_follow_up_plan(steps=steps)
    opened = marta.get(f"{LIST}new/follow_ups/").content.decode()
    assert 'value="Call 8"' in opened
    assert 'name="name_9"' in opened  # one more can be added
    assert 'name="name_10"' not in opened
    sent = {
        f"{name}_{n}": row[name] for n, row in enumerate(steps) for name in ("name", "from_day", "to_day")
    }
    rest = {"effective_from": "2026-03-18", "reason": "x", "source": ""}
    refused = marta.post(f"{LIST}new/follow_ups/", {**sent, **rest, "to_day_0": ""})
    assert b'value="Call 8"' in refused.content
    marta.post(f"{LIST}new/follow_ups/", {**sent, **rest})
    assert [row["name"] for row in PolicyDraft.objects.get().values["steps"]] == [r["name"] for r in steps]


def test_who_set_terms_is_named_as_everywhere(cast: Cast, marta: Client) -> None:
    MessageTermsVersion.objects.create(
        effective_from=date(2026, 3, 1), opens=time(9), closes=time(17), per_week=2, second_ask_days=5,
        link_ahead_days=14, reason="quieter", recorded_by=cast.manager.user,
    )  # fmt: skip
    assert f"quieter ({staff_name(cast.manager.user)})" in text(marta.get(reverse("manager:message_terms")))


def test_manage_leads_to_every_room_one_may_enter(marta: Client) -> None:
    assert reverse("therapist:matching") in marta.get(reverse("manager:rooms")).content.decode()


def test_an_allowance_is_drafted_for_the_payer_one_came_from(cast: Cast, marta: Client) -> None:
    form = marta.get(f"{LIST}new/allowance/?payer={cast.payer.pk}").content.decode()
    assert f'<option value="{cast.payer.pk}" selected>' in form
    assert marta.get(f"{LIST}new/allowance/?payer=x").status_code == 200
