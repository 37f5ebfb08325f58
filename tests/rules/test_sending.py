"""What follows from a carrier's answer."""

import pytest

from resupply.rules.sending import MOST_ATTEMPTS, Fate, Outcome, after


@pytest.mark.parametrize(
    ("outcome", "attempts", "unsure_before", "fate", "sentence"),
    [
        (Outcome.ACCEPTED, 1, False, Fate.SENT, "taken is sent"),
        (Outcome.ACCEPTED, 6, True, Fate.SENT, "also at the last attempt"),
        (Outcome.REFUSED, 1, False, Fate.FAILED, "refused for good is left to a person"),
        (Outcome.LATER, 1, False, Fate.WAITING, "refused for now waits"),
        (Outcome.LATER, MOST_ATTEMPTS - 1, False, Fate.WAITING, "up to the last attempt but one"),
        (Outcome.LATER, MOST_ATTEMPTS, False, Fate.FAILED, "and fails at the last"),
        (Outcome.UNSURE, 1, False, Fate.WAITING, "broken off once is tried once more"),
        (Outcome.UNSURE, 2, True, Fate.FAILED, "broken off twice is left to a person"),
        (Outcome.LATER, 2, True, Fate.WAITING, "a refusal is no second break"),
        (Outcome.UNREACHABLE, MOST_ATTEMPTS, True, Fate.WAITING, "without a connection nothing was tried"),
    ],
)
def test_fate(outcome: Outcome, attempts: int, unsure_before: bool, fate: Fate, sentence: str) -> None:
    assert after(outcome, attempts=attempts, is_unsure=unsure_before).fate is fate, sentence


def test_doubt_is_never_forgotten() -> None:
    assert after(Outcome.UNSURE, attempts=1, is_unsure=False).is_unsure
    assert not after(Outcome.ACCEPTED, attempts=2, is_unsure=True).is_unsure  # now it has certainly arrived
    for outcome in (Outcome.LATER, Outcome.UNREACHABLE, Outcome.REFUSED):
        assert after(outcome, attempts=1, is_unsure=True).is_unsure
        assert not after(outcome, attempts=1, is_unsure=False).is_unsure


@pytest.mark.parametrize("outcome", Outcome)
def test_what_waits_knows_how_long(outcome: Outcome) -> None:
    for attempts in range(1, MOST_ATTEMPTS + 1):
        for is_unsure in (False, True):
            verdict = after(outcome, attempts=attempts, is_unsure=is_unsure)
            waits = verdict.wait is not None and verdict.wait.total_seconds() > 0
            assert waits is (verdict.fate is Fate.WAITING)


def test_waits_grow_and_unreached_attempts_do_not_count() -> None:
    waits = [after(Outcome.LATER, attempts=n, is_unsure=False).wait for n in range(1, MOST_ATTEMPTS)]
    assert waits == sorted(waits, key=lambda wait: wait.total_seconds() if wait else -1)
    assert MOST_ATTEMPTS == 6
    assert [wait.total_seconds() / 60 for wait in waits if wait] == [1, 5, 15, 30, 60]
    assert not after(Outcome.UNREACHABLE, attempts=1, is_unsure=False).counts
    assert after(Outcome.LATER, attempts=1, is_unsure=False).counts
