"""A matching table changed rule by rule: nothing else of it moves, what is written reads back the same."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from resupply.rules.matching_table import Effect, Rule, Table, read_table, shipped, shipped_text
from resupply.services.errors import Refused
from resupply.services.matching_rules import Said, said_by, with_rules

ALL = {rule.id: said_by(rule) for rule in shipped().rules}
OWN = Said(Effect.AGAINST, ("full_face",), 3, "Our patients sent it back.", "", "D", "Our own count")

words = st.text(
    st.characters(codec="utf-8", exclude_categories=["Cs", "Cc"]), min_size=1, max_size=30
).filter(str.strip)
saids = st.builds(
    Said,
    effect=st.sampled_from([Effect.FOR, Effect.AGAINST]),
    styles=st.lists(st.sampled_from([style.id for style in shipped().styles]), min_size=1, unique=True).map(
        tuple
    ),
    weight=st.integers(1, 9),
    text=words,
    watch=st.just("") | words,
    mark=st.sampled_from(["P", "M", "CP", "D"]),
    source=words,
)


def as_rule(rule: Rule, said: Said) -> Rule:
    return replace(
        rule,
        **{
            name: getattr(said, name)
            for name in ("effect", "styles", "weight", "text", "watch", "mark", "source")
        },
    )


def test_unchanged_the_text_stays_to_the_letter() -> None:
    assert with_rules(shipped_text(), ALL) == shipped_text()


@given(changed=st.dictionaries(st.sampled_from(sorted(ALL)), st.none() | saids, max_size=5))
def test_what_is_written_reads_back_as_what_was_meant(changed: dict[str, Said | None]) -> None:
    kept = {name: said for name, said in {**ALL, **changed}.items() if said is not None}
    before = shipped()
    meant = [as_rule(rule, kept[rule.id]) for rule in before.rules if rule.id in kept]
    assert read_table(with_rules(shipped_text(), kept)) == replace(before, rules=tuple(meant))


def test_added_rules_come_last_under_names_nobody_has() -> None:
    when = {"congestion": ("chronic", "at_times"), "pressure": {"at_least": 12.5}}
    once = with_rules(shipped_text(), ALL, [(when, OWN)])
    twice = with_rules(once, {rule.id: said_by(rule) for rule in read_table(once).rules}, [({}, OWN)])
    *_, first, second = read_table(twice).rules
    assert (first.id, first.when, said_by(first)) == ("own_1", when, OWN)
    assert (second.id, second.when) == ("own_2", {})


def test_remarks_at_the_head_stay() -> None:
    written = with_rules(shipped_text(), ALL, [({}, OWN)])
    assert written.splitlines()[0] == shipped_text().splitlines()[0]


def test_a_table_without_rules_takes_its_first() -> None:
    bare = with_rules(shipped_text(), {})
    assert read_table(bare).rules == ()
    assert [rule.id for rule in read_table(with_rules(bare, {}, [({}, OWN)])).rules] == ["own_1"]


@pytest.mark.parametrize(
    "bad",
    [replace(OWN, weight=0), replace(OWN, styles=()), replace(OWN, styles=("none",)), replace(OWN, mark="X")],
)
def test_what_no_table_can_hold_is_refused(bad: Said) -> None:
    with pytest.raises(Refused) as refused:
        with_rules(shipped_text(), ALL, [({}, bad)])
    assert refused.value.code == "table"
    assert "own_1" in refused.value.message


def test_every_rule_of_the_shipped_table_is_said_in_words() -> None:
    from resupply.rules.matching_words import gate_words, rule_words

    table: Table = shipped()
    for rule in table.rules:
        said = rule_words(rule, table)
        assert rule.text in said
        assert "_" not in said, said
    assert "unless Breathes at night through: nose and mouth or the mouth" in gate_words(
        table.gates[0], table
    )
