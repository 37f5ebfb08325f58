"""The refill question: what is asked together, and what happens next. Sources at the top of the module.

Check values: CMS and the supplier contractors' documentation rules (42 CFR 410.38(d)(4)): contact no earlier
than 30 days before the expected end of supply; late contact is fine; no reply is no yes.
"""

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from resupply.rules.bundling import EVERY_DAY, OpenDays
from resupply.rules.deliveries import AnswerKind, Reason, check_dispense
from resupply.rules.questions import (
    ANSWER_TIME,
    CALL_AFTER,
    EXPIRES_AFTER,
    SECOND_AFTER,
    Askable,
    Next,
    bundle,
    delivery,
    next_step,
)

DAY = date(2024, 3, 2)


def line(kind: str, ends: int, *, covered: int | None = None, lead: int = 30) -> Askable:
    """Supply ends so many days after DAY; asked 30 and delivered 10 days before the refill."""
    supply = DAY + timedelta(days=ends)
    refill = DAY + timedelta(days=max(ends, covered if covered is not None else ends))
    return Askable(kind, refill - timedelta(days=lead), refill - timedelta(days=10), supply, refill)


TABLE = [
    ([line("a", 30)], "a", "the first day of the window: 2024-03-02 for an end of 2024-04-01 (version 2)"),
    ([line("a", 31)], "", "and the day before it nothing"),
    ([line("a", -60)], "a", "late contact is fine"),
    ([line("a", 0), line("b", 17)], "ab", "a week for the answer: what opens in a week goes along"),
    ([line("a", 0), line("b", 18)], "a", "what opens in eight days waits"),
    ([line("a", 20), line("b", 30)], "ab", "a window that opens on the day the first one closes"),
    ([line("a", 19), line("b", 30)], "a", "and one that opens a day later does not fit"),
    ([line("a", -100), line("b", -1), line("c", 5)], "abc", "what is overdue is served with what is open"),
    ([line("a", 0, covered=25), line("b", 30)], "ab", "coverage opens late: the window ends on that day"),
    ([line("a", 10), line("b", 40)], "a", "what may not be asked about yet is not bundled"),
    ([], "", "nothing to ask about"),
]


@pytest.mark.parametrize(("lines", "asked", "sentence"), TABLE, ids=[row[2] for row in TABLE])
def test_bundles(lines: list[Askable], asked: str, sentence: str) -> None:
    assert "".join(one.kind for one in bundle(lines, day=DAY, open_days=EVERY_DAY)) == asked, sentence


def test_what_is_asked_together_goes_out_on_an_open_day() -> None:
    """Two windows share Saturday 23 March 2024 alone: where Saturdays are closed, the second waits."""
    until, since = line("a", 21), line("b", 31, lead=45)
    together = bundle([until, since], day=DAY, open_days=EVERY_DAY)
    assert [one.kind for one in together] == ["a", "b"]
    assert [one.kind for one in bundle([until, since], day=DAY, open_days=OpenDays())] == ["a"]


def test_a_delivery_waits_for_the_answer_and_for_an_open_day() -> None:
    """A week from Saturday 2 March 2024 is a Saturday: the Monday after."""
    served = delivery([line("a", -60)], day=DAY, open_days=OpenDays())
    assert served is not None
    assert (str(served.on), served.is_late) == ("2024-03-11", True)


STEPS = [
    (0, None, 0, Next.WAIT, "nothing went out yet: the first message is still to come"),
    (4, 0, 1, Next.WAIT, "four days after the first message"),
    (5, 0, 1, Next.AGAIN, "five days: once more"),
    (11, 5, 2, Next.WAIT, "six days after the second"),
    (12, 5, 2, Next.CALL, "a week after the second: a call"),
    (29, 5, 2, Next.CALL, "still a call on the last day"),
    (30, 5, 2, Next.EXPIRE, "after thirty days it has expired"),
    (30, None, 0, Next.EXPIRE, "also where no message ever went out"),
    (20, 15, 1, Next.AGAIN, "an outage moved the first message: the second follows it"),
]


@pytest.mark.parametrize(("day", "last", "messages", "step", "sentence"), STEPS)
def test_what_happens_next(day: int, last: int | None, messages: int, step: Next, sentence: str) -> None:
    last_on = None if last is None else DAY + timedelta(days=last)
    found = next_step(DAY, messages=messages, last_on=last_on, day=DAY + timedelta(days=day))
    assert found is step, sentence


def test_a_call_comes_before_the_question_expires() -> None:
    assert SECOND_AFTER + CALL_AFTER < EXPIRES_AFTER


lines_of = st.lists(
    st.builds(
        line,
        st.sampled_from("abcdefgh"),
        st.integers(-60, 60),
        covered=st.none() | st.integers(-60, 90),
        lead=st.integers(10, 45),
    ),
    max_size=8,
    unique_by=lambda one: one.kind,
)


@given(lines_of)
def test_one_day_serves_every_line_of_a_bundle(lines: list[Askable]) -> None:
    asked = bundle(lines, day=DAY, open_days=EVERY_DAY)
    served = delivery(lines, day=DAY, open_days=EVERY_DAY)
    for one in asked:
        assert served is not None
        assert one.ask_from <= DAY
        assert one.deliver_from <= served.on <= max(one.closes_on, DAY + ANSWER_TIME)


@given(lines_of)
def test_the_most_pressing_line_is_asked_about_and_nothing_that_fits_is_left_out(
    lines: list[Askable],
) -> None:
    """Against trying every day: no day from now on that serves the most pressing line serves more lines."""
    asked = bundle(lines, day=DAY, open_days=EVERY_DAY)
    reached = [one for one in lines if one.ask_from <= DAY]
    assert bool(asked) == bool(reached)
    if not reached:
        return
    pressing = min(reached, key=lambda one: max(one.closes_on, DAY + ANSWER_TIME))
    assert pressing in asked or pressing.deliver_from > max(pressing.closes_on, DAY + ANSWER_TIME)
    for ahead in range(120):
        day = DAY + timedelta(days=ahead)
        if day <= max(pressing.closes_on, DAY + ANSWER_TIME):
            served = [one for one in reached if one.deliver_from <= day]
            assert len(served) <= len(asked)


@given(lines_of)
def test_the_order_of_lines_does_not_matter(lines: list[Askable]) -> None:
    assert set(bundle(lines[::-1], day=DAY, open_days=EVERY_DAY)) == set(
        bundle(lines, day=DAY, open_days=EVERY_DAY)
    )


@pytest.mark.parametrize("kind", [AnswerKind.NONE, AnswerKind.STOP, AnswerKind.STANDING, AnswerKind.NO])
def test_only_a_yes_to_this_refill_lets_a_parcel_go(kind: AnswerKind) -> None:
    """Check values: "no reply" and "STOP" are not affirmative, nor is a consent given once for all."""
    verdict = check_dispense(
        dispensed_on=date(2024, 3, 25),
        supply_ends_on=date(2024, 4, 1),
        asked_on=DAY,
        answer=kind,
        recorded_before=True,
        shipped=True,
    )
    assert [stop.reason for stop in verdict.stops] == [Reason.NOT_AFFIRMATIVE]
