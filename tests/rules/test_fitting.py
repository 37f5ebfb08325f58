"""Fitting, remedies and follow-ups: the common practice of the trade, and laws of our own."""

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from resupply.rules import fitting
from resupply.rules.fitting import Act, Leak
from resupply.rules.follow_ups import SHIPPED, FollowUpState, due_steps, state
from resupply.rules.matching import shipped

STYLES = [style.id for style in shipped().styles]
ORDER = list(Act)


@pytest.mark.parametrize(
    ("style", "named"),
    [
        ("nasal", {"bridge", "eyes", "upper_lip"}),
        ("full_face", {"bridge", "eyes", "chin"}),
        ("hybrid", {"nostrils", "chin"}),
        ("nasal_pillows", {"nostrils"}),
        ("nasal_cradle", {"nostrils"}),
    ],
)
def test_leak_sites_by_style(style, named):
    """Common practice of the trade: the places to check."""
    assert named <= set(fitting.sites(style)) <= set(fitting.all_sites())


@pytest.mark.parametrize("style", STYLES)
def test_upper_straps_first_on_masks_over_the_mouth_and_even_straps_on_all(style):
    """Common practice of the trade."""
    said = {step.id: step.text["en"] for step in fitting.steps(style)}
    assert ("straps_upper" in said) == (style in {"full_face", "hybrid"})
    straps = said.get("straps_upper") or said["straps_even"]
    assert "same on both sides" in straps
    order = list(said)
    assert (order[0], order[-1]) == ("face", "not_tight")


@pytest.mark.parametrize("style", STYLES)
def test_everything_said_to_a_patient_is_there_in_both_languages_with_its_source(style):
    for said in (*fitting.steps(style), *fitting.watch(style)):
        assert all([said.text["en"], said.text["es"], said.source])
        assert said.mark in {"P", "P2", "M", "CP"}
    assert "as prescribed" in " ".join(said.text["en"] for said in fitting.watch(style))


@pytest.mark.parametrize("style", STYLES)
def test_every_problem_has_something_to_try_or_someone_to_refer_to_for_every_style(style):
    for problem in fitting.problems():
        found = fitting.remedies(problem.id, style=style, leaks=fitting.sites(style))
        assert found, problem
        assert [ORDER.index(remedy.act) for remedy in found] == sorted(ORDER.index(r.act) for r in found)
        assert all(remedy.source and remedy.mark in {"P", "P2", "M", "CP"} for remedy in found)


def test_no_remedy_changes_pressure_or_therapy():
    texts = [
        remedy.text.casefold()
        for style in STYLES
        for problem in fitting.problems()
        for remedy in fitting.remedies(problem.id, style=style, leaks=fitting.sites(style))
    ]
    for word in ("raise the pressure", "lower the pressure", "change the pressure", "stop therapy", "ramp"):
        assert not any(word in text for text in texts)


def test_remedies_for_a_place_come_only_with_leak_there():
    def of(leaks):
        return {remedy.site for remedy in fitting.remedies("leak", style="nasal", leaks=leaks)}

    assert of(()) == {""}
    assert of(["bridge"]) == {"", "bridge"}
    assert of(["chin"]) == {""}, "a nasal mask has no leak site at the chin"


def test_an_unknown_style_has_no_sites():
    with pytest.raises(KeyError):
        fitting.sites("snorkel")


maps = st.dictionaries(st.sampled_from(sorted(fitting.all_sites())), st.sampled_from(list(Leak)))


@given(maps, maps)
def test_better_is_one_way_and_a_strong_leak_weighs_more_than_slight_ones(before, after):
    assert not (fitting.is_better(before, after) and fitting.is_better(after, before))
    if list(Leak).index(fitting.worst(after)) < list(Leak).index(fitting.worst(before)):
        assert fitting.is_better(before, after)


START = date(2026, 3, 1)


@pytest.mark.parametrize(
    ("reached", "day", "expected", "sentence"),
    [
        ([], 2, "ahead", "before its first day"),
        ([], 3, "due", "on its first day"),
        ([], 7, "due", "on its last day"),
        ([], 8, "late", "the day after"),
        ([2], 8, "late", "a contact before the step settles nothing"),
        ([3], 8, "done", "a contact on its first day does"),
        ([20], 20, "done", "a late contact does as well"),
        ([20], 8, "late", "a contact that has not been yet does not"),
    ],
)
def test_how_a_follow_up_stands(reached, day, expected, sentence):
    step = due_steps(START, SHIPPED)[0]
    days = [START + timedelta(days=n) for n in reached]
    assert state(step, days, as_of=START + timedelta(days=day)) is FollowUpState(expected), sentence


def test_the_shipped_plan_covers_the_month_and_the_window_of_reevaluation():
    """NICE NG202 (about a month, from memory); CMS LCD L33718: day 31 to 91 for the re-evaluation."""
    _, month, quarter = due_steps(START, SHIPPED)
    assert month.first <= START + timedelta(days=30) <= month.last
    assert quarter.first <= START + timedelta(days=90) <= quarter.last
