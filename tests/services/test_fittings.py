"""Fittings: tries with their leak maps, how they end, and the refit that follows."""

from datetime import date, timedelta
from decimal import Decimal

import pytest

from resupply.models import Event, Fitting, FollowUp
from resupply.queries import fittings as fitting_queries
from resupply.queries import follow_ups as follow_up_queries
from resupply.queries.patients import standing
from resupply.rules.follow_ups import FollowUpState, FollowUpStep
from resupply.services import fittings, follow_ups, plans
from resupply.services.errors import Refused
from tests.builders import NOW, TODAY, make_dispense, make_item, make_patient

pytestmark = pytest.mark.django_db


def mask(**over):
    values = {"kind": "mask", "part_code": "A7034", "style": "nasal", "family": "Alder", "magnetic": "no"}
    return make_item(**values | over)


def begin(person, **over):
    values = {"location": person.location, "fitted_on": TODAY, "match": None, "by": None, "now": NOW}
    return fittings.begin_fitting(patient=person, **values | over)


def tried(fitting, item, **over):
    values = {
        "size": "", "pressure": Decimal(11), "lying": "back", "leaks": {}, "next_change": "", "now": NOW,
    }  # fmt: skip
    return fittings.add_try(fitting, item=item, **values | over)


def end(fitting, **over):
    return fittings.end_fitting(
        fitting, **{"outcome": "kept", "kept": None, "note": "", "by": None, "now": NOW} | over
    )


def test_tries_are_numbered_and_keep_the_leak_of_every_place_of_the_style():
    fitting = begin(make_patient())
    tried(fitting, mask(), leaks={"bridge": "strong", "eyes": ""}, next_change="a smaller size")
    second = tried(fitting, mask(style="hybrid", pack_sizes=["S", "M"]), size="M", lying="side")
    assert [(row.position, row.style) for row in fitting.tries.all()] == [(1, "nasal"), (2, "hybrid")]
    first = fitting.tries.first()
    assert first.leaks == {"bridge": "strong", "eyes": "none", "upper_lip": "none", "mouth": "none"}
    assert (second.size, second.leaks["chin"]) == ("M", "none")


@pytest.mark.parametrize(
    ("item", "over", "code"),
    [
        ({"kind": "cushion", "part_code": "A7032"}, {}, "not_a_mask"),
        ({"style": ""}, {}, "no_style"),
        ({"pack_sizes": ["S", "M"]}, {"size": "L"}, "size"),
        ({}, {"pressure": Decimal(41)}, "pressure"),
        ({}, {"lying": "upside down"}, "lying"),
        ({}, {"leaks": {"chin": "slight"}}, "leaks"),
        ({}, {"leaks": {"bridge": "huge"}}, "leaks"),
    ],
)
def test_a_try_that_cannot_be_is_refused(item, over, code):
    fitting = begin(make_patient())
    with pytest.raises(Refused) as refusal:
        tried(fitting, mask(**item), **over)
    assert refusal.value.code == code
    assert not fitting.tries.exists()


def test_masks_of_a_style_whose_leak_sites_are_not_known_are_not_on_offer():
    """A clinic's own matching table may name styles that nobody has drawn a face for."""
    person, known = make_patient(), mask()
    for style in ("own_style", ""):
        mask(name=f"mask {style}", style=style)
    assert fitting_queries.masks(person, today=TODAY).masks == [known]


@pytest.mark.parametrize("magnetic", ["yes", "unknown"])
def test_a_mask_with_magnets_is_not_put_on_a_patient_who_was_not_asked(magnetic):
    fitting = begin(make_patient(screened=False))
    with pytest.raises(Refused, match="magnet questions") as refusal:
        tried(fitting, mask(magnetic=magnetic))
    assert refusal.value.code == "magnets"
    tried(fitting, mask(magnetic="no"))


def test_a_mask_of_another_family_kept_records_the_refit_and_taking_it_back_takes_that_too():
    person = make_patient()
    make_dispense(person, on=TODAY - timedelta(days=60), lines=[{"part_code": "A7034", "family": "Birch"}])
    plans.refresh_plans([person.pk], now=NOW)
    fitting = begin(person)
    kept = tried(fitting, mask(size="M"))
    end(fitting, kept=kept)
    assert (fitting.size_kept, fitting.refit.family, fitting.refit.on) == ("M", "Alder", TODAY)
    assert standing(person, today=TODAY).mask_family == "Alder"
    with pytest.raises(Refused, match="has ended"):
        tried(fitting, mask())
    with pytest.raises(Refused, match="has ended"):
        end(fitting, kept=kept)
    fittings.void_fitting(fitting, reason="wrong patient", by=None, now=NOW)
    assert standing(person, today=TODAY).mask_family == "Birch"
    assert Event.objects.get().void_reason == "wrong patient"


def test_the_same_family_and_a_patient_without_parts_need_no_refit():
    person = make_patient()
    fitting = begin(person)
    end(fitting, kept=tried(fitting, mask()))
    assert fitting.refit is None
    make_dispense(person, on=TODAY, lines=[{"part_code": "A7034", "family": "Alder"}])
    plans.refresh_plans([person.pk], now=NOW)
    again = begin(person)
    end(again, kept=tried(again, mask()))
    assert again.refit is None


@pytest.mark.parametrize(
    ("over", "code"),
    [
        ({"outcome": "kept"}, "kept"),
        ({"outcome": "maybe"}, "outcome"),
        ({"outcome": "another", "kept": 1}, "kept"),
    ],
)
def test_an_end_that_does_not_fit_is_refused(over, code):
    fitting = begin(make_patient())
    if over.get("kept"):
        over = over | {"kept": tried(fitting, mask())}
    with pytest.raises(Refused) as refusal:
        end(fitting, **over)
    assert refusal.value.code == code
    assert Fitting.objects.get().outcome == ""


def follow(person, **over):
    values = {
        "on": TODAY, "step": "", "reached": True, "problems": [], "leaks": {}, "is_reevaluation": False,
        "note": "", "again_on": None, "by": None, "now": NOW,
    }  # fmt: skip
    return follow_ups.record_follow_up(patient=person, **values | over)


def work(today=TODAY):
    return [
        (work.patient, work.step.due.step, work.step.state)
        for work in follow_up_queries.work_list(set(), today=today)
    ]


def test_the_work_list_follows_therapy_and_fittings(django_assert_num_queries):
    fresh = make_patient(therapy_started_on=TODAY - timedelta(days=5))
    make_patient(therapy_started_on=TODAY - timedelta(days=400))
    make_patient(therapy_started_on=TODAY - timedelta(days=5), status="ended")
    unknown = make_patient(therapy_started_on=None)
    assert work() == [(fresh, "first_week", FollowUpState.DUE)]
    assert work(TODAY + timedelta(days=3)) == [(fresh, "first_week", FollowUpState.LATE)]
    fitting = begin(unknown, fitted_on=TODAY - timedelta(days=4))
    end(fitting, kept=tried(fitting, mask()))
    assert {row[0] for row in work()} == {fresh, unknown}
    follow(fresh, reached=False, again_on=TODAY + timedelta(days=1))
    assert {row[0] for row in work()} == {unknown}
    follow(unknown, step="first_week", problems=["leak"], leaks={"bridge": "strong"})
    assert work() == []
    with django_assert_num_queries(3):
        work()
    steps = follow_up_queries.steps_of(unknown, today=TODAY)
    assert [step.state.value for step in steps] == ["done", "ahead", "ahead"]
    assert follow_up_queries.steps_of(make_patient(therapy_started_on=None), today=TODAY) == []


@pytest.mark.parametrize(
    ("over", "code"),
    [
        ({"step": "some"}, "step"),
        ({"problems": ["boredom"]}, "problem"),
        ({"leaks": {"knee": "slight"}}, "leaks"),
        ({"leaks": {"bridge": "huge"}}, "leaks"),
        ({"reached": False, "problems": ["leak"]}, "not_reached"),
        ({"reached": False, "is_reevaluation": True}, "not_reached"),
        ({"reached": False, "leaks": {"bridge": "slight"}}, "not_reached"),
        ({"again_on": TODAY}, "again"),
        ({"again_on": date(3026, 3, 18)}, "too_far"),
        ({"note": "x" * 501}, "too_long"),
        ({"on": TODAY + timedelta(days=1)}, "future"),
    ],
)
def test_a_follow_up_that_cannot_be_is_refused(over, code):
    with pytest.raises(Refused) as refusal:
        follow(make_patient(), **over)
    assert refusal.value.code == code
    assert not FollowUp.objects.exists()


def test_the_clinic_edits_its_plan_by_versions():
    plan = [FollowUpStep("day_2", "Second day", 1, 2)]
    follow_ups.set_plan(plan, effective_from=TODAY, reason="earlier", by=None, now=NOW)
    assert tuple(follow_up_queries.plan_on(TODAY)) == tuple(plan)
    assert len(follow_up_queries.plan_on(TODAY - timedelta(days=1))) == 3
    person = make_patient(therapy_started_on=date(2026, 3, 16))
    assert work() == [(person, "day_2", FollowUpState.DUE)]
    follow_ups.void_follow_up(follow(person, step="day_2"), reason="another patient", by=None, now=NOW)
    assert work() == [(person, "day_2", FollowUpState.DUE)]
    for bad in (
        [FollowUpStep("", "x", 1, 2)],
        [FollowUpStep("a", "x", 3, 2)],
        [FollowUpStep("a", "x", 1, 2), FollowUpStep("a", "y", 1, 2)],
    ):
        with pytest.raises(Refused) as refusal:
            follow_ups.set_plan(bad, effective_from=TODAY, reason="x", by=None, now=NOW)
        assert refusal.value.code == "steps"
