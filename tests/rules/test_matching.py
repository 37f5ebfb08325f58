"""Matching: the directions that published work gives (check values), and laws of the order.

The scores are ours; only directions are tested. Sources stand beside each row.
"""

from dataclasses import replace
from itertools import permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from resupply.rules.matching import Standing, match, shipped, what_would_change
from resupply.rules.matching_table import BadTableError, Effect, Rule, read_table

TABLE = shipped()
NASAL = {"nasal_pillows", "nasal_cradle", "nasal"}
ORONASAL = {"full_face", "hybrid"}
STANDINGS = list(Standing)
OFFERED = {Standing.SUITS, Standing.POSSIBLE}
SWITCH = "Check AHI and pressure again after the switch."


def order(**answers):
    return match({name: set(values.split()) for name, values in answers.items()}, TABLE).order


def verdict_of(style, **answers):
    found = match({name: set(values.split()) for name, values in answers.items()}, TABLE)
    return next(verdict for verdict in found.styles if verdict.style == style)


def test_without_barriers_the_nasal_styles_come_first():
    """Chest 2018;153(3):665-674; Cochrane CD005308: nasal needs less pressure and is used longer."""
    assert set(order()[:3]) == NASAL
    assert set(order(breathing="nose", congestion="none", pressure="9", closeness="no")[:3]) == NASAL


@pytest.mark.parametrize(
    "answers",
    [{"congestion": "chronic"}, {"breathing": "mouth"}, {"earlier": "any_nasal:mouth_leak"}],
)
def test_obstruction_or_mouth_leak_lets_oronasal_come_first_and_says_what_to_check(answers):
    """Can Respir J 2019:7215258 (review): oronasal for stuffiness or mouth leak; check efficacy again."""
    first = match({name: {value} for name, value in answers.items()}, TABLE).styles[0]
    assert first.style in ORONASAL
    assert SWITCH in {reason.text for reason in first.watch}


def test_pillows_are_not_ruled_out_by_pressure_alone():
    """J Clin Sleep Med 2013;9(9):873-877: at 12 cmH2O and more pillows did as well; watch leak."""
    pillows = verdict_of("nasal_pillows", pressure="14")
    assert pillows.standing in OFFERED
    assert any("watch leak" in reason.text for reason in pillows.watch)
    assert not verdict_of("nasal_pillows", pressure="11.5").watch


def test_a_claustrophobia_score_counts_from_25_on():
    """Heart Lung 2015;44:100-106; West J Nurs Res 2005;27:307: 25 or more."""
    flagged, not_flagged = (
        verdict_of("full_face", closeness_score="25"),
        verdict_of("full_face", closeness_score="24"),
    )
    assert "closeness_score" in {reason.rule for reason in flagged.against}
    assert "closeness_score" not in {reason.rule for reason in not_flagged.against}
    assert any("step by step" in reason.text for reason in flagged.watch)


def test_a_sore_bridge_lowers_the_styles_that_touch_it():
    """ERS Breathe (risks of skin injury); doi 10.2147/MDER.S121712 (bridge pressure)."""
    before, after = order(), order(bridge_skin="injured")
    touch = ("nasal", "full_face")
    assert [style for style in after if style not in touch] == [
        style for style in before if style not in touch
    ]
    assert order(bridge_skin="injured", facial_hair="no")[:2] == ("nasal_pillows", "nasal_cradle")
    for style in touch:
        hurt, well = verdict_of(style, bridge_skin="injured"), verdict_of(style)
        assert hurt.score < well.score
        assert hurt.standing is Standing.POSSIBLE


def test_home_ventilation_is_referred_and_gets_no_order():
    """Thorax 2021;76(11):1108: nasal and oronasal alike in home ventilation, the rules do not transfer."""
    found = match({"therapy": {"ventilation"}, "congestion": {"chronic"}}, TABLE)
    assert found.refer
    assert found.order == tuple(style.id for style in TABLE.styles)


def test_a_mask_over_the_mouth_is_not_offered_to_who_cannot_take_it_off():
    """Safety principle of ISO 17510, from memory."""
    found = match({"removes": {"no"}, "breathing": {"mouth"}}, TABLE)
    assert {v.style for v in found.styles if v.standing is Standing.NOT_NOW} == ORONASAL
    assert set(found.order[-2:]) == ORONASAL


def test_every_row_has_source_and_mark_and_every_verdict_says_why():
    assert all(row.source and row.mark for row in (*TABLE.rules, *TABLE.gates))
    for verdict in match({"congestion": {"chronic"}}, TABLE).styles:
        assert verdict.speaks_for or verdict.against


def answer_sets():
    """Answers to any of the questions, single values for single choices."""
    choices = {}
    for question in TABLE.questions:
        values = [value for value, _ in question.values]
        if question.kind == "number":
            one = st.integers(question.least, question.most).map(lambda n: frozenset({str(n)}))
        elif question.kind == "many":
            one = st.frozensets(st.sampled_from(values))
        else:
            one = st.sampled_from(values).map(lambda value: frozenset({value}))
        choices[question.id] = st.one_of(st.none(), one)
    return st.fixed_dictionaries(choices).map(lambda d: {k: v for k, v in d.items() if v is not None})


answers = answer_sets()


@given(
    answers,
    st.sampled_from([style.id for style in TABLE.styles]),
    st.integers(1, 9),
    st.sampled_from([Effect.AGAINST, Effect.NOT_NOW, Effect.RULED_OUT]),
)
def test_a_reason_against_a_style_never_raises_it(given_answers, style, weight, effect):
    worse_weight = weight if effect is Effect.AGAINST else 0
    reason = Rule("more", {}, (style,), effect, "One more reason.", "D", "ours", worse_weight)
    worse = replace(TABLE, rules=(*TABLE.rules, reason))
    before, after = match(given_answers, TABLE), match(given_answers, worse)
    standing = {verdict.style: STANDINGS.index(verdict.standing) for verdict in before.styles}
    now = {verdict.style: STANDINGS.index(verdict.standing) for verdict in after.styles}
    assert now[style] >= standing[style]
    assert after.order.index(style) >= before.order.index(style)
    others = [s for s in before.order if s != style]
    assert [s for s in after.order if s != style] == others


@given(answers, st.randoms())
def test_the_order_of_answers_is_of_no_account(given_answers, random):
    shuffled = list(given_answers.items())
    random.shuffle(shuffled)
    assert match(dict(shuffled), TABLE) == match(given_answers, TABLE)


@given(answers)
def test_oronasal_comes_first_only_for_obstruction_or_mouth_leak(given_answers):
    """The direction of Chest 2018 and of the Can Respir J 2019 review."""
    found = match(given_answers, TABLE)
    open_gate = (
        given_answers.get("breathing", frozenset()) & {"both", "mouth"}
        or given_answers.get("congestion") == {"chronic"}
        or "any_nasal:mouth_leak" in given_answers.get("earlier", ())
    )
    if not open_gate and not found.refer:
        assert found.order[0] in NASAL


@given(answers)
def test_what_would_change_names_true_changes(given_answers):
    now = match(given_answers, TABLE)
    for change in what_would_change(given_answers, TABLE):
        question = next(question for question in TABLE.questions if question.id == change.question)
        held = given_answers.get(change.question, frozenset())
        other = held ^ {change.value} if question.kind == "many" else {change.value}
        then = match({**given_answers, change.question: other}, TABLE)
        assert then.order == change.order
        assert then.order[0] != now.order[0] or bool(then.refer) != bool(now.refer)


def test_unknown_values_and_words_for_numbers_count_for_nothing():
    assert match({"pressure": {"high"}, "breathing": {"gills"}, "colour": {"red"}}, TABLE) == match({}, TABLE)
    assert match({"pressure": {"NaN"}}, TABLE) == match({"pressure": {"sNaN"}}, TABLE) == match({}, TABLE)


STYLES = '[[style]]\nid = "a"\nname = "A"\nabout = "x"\n'
QUESTION = '[[question]]\nid = "q"\ntext = "Q"\nkind = "one"\nvalues = [["x", "X"], ["y", "Y"]]\n'
RULE = """[[rule]]
id = "r"
when = { q = ["x"] }
styles = ["a"]
effect = "for"
weight = 1
text = "t"
mark = "D"
source = "s"
"""


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("a = [", "no TOML"),
        ("", "at least one"),
        (STYLES + STYLES, "there twice"),
        (STYLES + "colour = 1", "no field"),
        (STYLES + '[[question]]\nid = "q"', "missing"),
        (STYLES + QUESTION.replace('"one"', '"some"'), "kind is one of"),
        (STYLES + QUESTION.replace(', ["y", "Y"]', ""), "at least two values"),
        (STYLES + QUESTION + RULE.replace('"a"', '"b"'), "no style"),
        (STYLES + QUESTION + RULE.replace("q =", "z ="), "no question"),
        (STYLES + QUESTION + RULE.replace('["x"]', '["z"]'), "takes x, y"),
        (STYLES + QUESTION + RULE.replace("weight = 1", "weight = 10"), "weigh 1 to 9"),
        (STYLES + QUESTION + RULE.replace('"D"', '"?"'), "give its source a mark"),
        (STYLES + QUESTION + RULE.replace('"for"', '"refer"').replace("weight = 1\n", ""), "about none"),
        (STYLES + QUESTION + RULE.replace('"for"', '"maybe"'), "the effect is one of"),
        (STYLES + QUESTION.replace('["x", "X"]', '"x"'), "pairs"),
        ("suits_from = 1.5\n" + STYLES, "whole number"),
        ("style = 1", "[[style]]"),
    ],
)
def test_a_table_that_cannot_be_used_is_refused_with_its_row(text, says):
    with pytest.raises(BadTableError, match=says.replace("[", r"\[")):
        read_table(text)


def test_equal_scores_keep_the_order_of_the_table():
    for ids in permutations("abc"):
        table = read_table("".join(STYLES.replace('"a"', f'"{name}"', 1) for name in ids))
        assert match({}, table).order == ids
