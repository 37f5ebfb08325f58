"""Where the first steps stand: a table, worked out by hand from the rule in the module's words."""

import pytest

from resupply.rules.first_steps import NEEDED, State, Step, standing

EVERY = set(Step)
D, A, N, L = State.DONE, State.ASIDE, State.NEXT, State.LEFT


@pytest.mark.parametrize(
    ("done", "aside", "states", "why"),
    [
        ("", "", [N, L, L, L, L, L, L], "an empty clinic begins with a location"),
        ("location", "", [D, N, L, L, L, L, L], "then with people"),
        ("location list", "", [D, N, L, L, D, L, L], "an old list may come early"),
        ("location", "staff payers", [D, A, A, N, L, L, L], "who works alone and bills nobody goes on"),
        ("", "location dispense", [N, L, L, L, L, L, L], "what is needed cannot be put aside"),
        ("location staff", "staff", [D, D, N, L, L, L, L], "what is done counts, put aside or not"),
        ("staff payers catalogue list mail dispense", "", [N, D, D, D, D, D, D], "a location was closed"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_where_they_stand(done: str, aside: str, states: list[State], why: str) -> None:
    found = standing({Step(name) for name in done.split()}, {Step(name) for name in aside.split()})
    assert [one.state for one in found.steps] == states, why
    assert found.settled == sum(state in (D, A) for state in states)


def test_nothing_is_left_once_each_is_done_or_put_aside() -> None:
    found = standing(NEEDED, EVERY - NEEDED)
    assert (found.is_over, found.next, found.settled) == (True, None, len(Step))
    assert not any(one.may_be_put_aside for one in found.steps)
    begun = standing(set(), set())
    assert {one.step for one in begun.steps if one.may_be_put_aside} == EVERY - NEEDED
