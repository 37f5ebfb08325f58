"""Consents by channel and purpose; the channel of a message; grounds of a call."""

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from resupply.rules.consents import CallGround, Said, choose, may_call, may_write
from resupply.rules.purposes import URGENT_FIRST, Purpose, of_step
from resupply.rules.reminders import STEPS

YES, NO = True, False


@pytest.mark.parametrize(
    ("records", "may", "sentence"),
    [
        ([], False, "nobody asked: no"),
        ([("mail", "", YES)], True, "a yes to everything covers each purpose"),
        ([("text", "", YES)], False, "a yes to another channel says nothing"),
        ([("mail", "question", YES)], False, "a yes to another purpose says nothing"),
        ([("mail", "swap", YES)], True, "a yes to this purpose"),
        ([("mail", "swap", YES), ("mail", "", NO)], False, "a later no to everything ends it"),
        ([("mail", "", NO), ("mail", "swap", YES)], True, "a later yes opens this purpose"),
        ([("mail", "", YES), ("mail", "swap", NO)], False, "a later no to the purpose"),
        ([("mail", "", YES), ("mail", "question", NO)], True, "a no to another purpose"),
    ],
)
def test_the_newest_record_that_covers_counts(
    records: list[tuple[str, str, bool]], may: bool, sentence: str
) -> None:
    assert may_write([Said(*row) for row in records], "mail", "swap") is may, sentence


said = st.builds(
    Said,
    st.sampled_from(["mail", "text"]),
    st.sampled_from(["", *(purpose.value for purpose in Purpose)]),
    st.booleans(),
)


@given(st.lists(said), st.sets(st.sampled_from(list(Purpose)), min_size=1), st.sampled_from(["", "text"]))
def test_what_a_message_carries_is_allowed_on_its_channel(
    records: list[Said], due: set[Purpose], preferred: str
) -> None:
    way = choose(due, records, reachable=["mail", "text"], preferred=preferred)
    if way is None:
        assert not any(may_write(records, channel, one) for channel in ("mail", "text") for one in due)
        return
    assert set(way.purposes) <= due
    assert all(may_write(records, way.channel, one) for one in way.purposes)
    assert way.channel == "mail" or len(way.purposes) == 1  # a text holds one purpose
    pressing = [one for one in URGENT_FIRST if one in due and _somewhere(records, one)]
    assert way.purposes[0] is pressing[0]  # nothing less pressing goes before


def _somewhere(records: list[Said], purpose: Purpose) -> bool:
    return any(may_write(records, channel, purpose) for channel in ("mail", "text"))


@given(st.lists(said))
def test_after_a_no_to_everything_nothing_may_be_written(records: list[Said]) -> None:
    ended = [*records, Said("mail", "", False)]
    assert not any(may_write(ended, "mail", purpose) for purpose in Purpose)


def test_every_step_of_the_ladder_has_a_purpose() -> None:
    assert {name: of_step(name).value for name in STEPS} == {
        "ask": "question",
        "ask_again": "question",
        "due": "question",
        "overdue_1": "overdue",
        "overdue_2": "overdue",
    }
    assert sorted(URGENT_FIRST) == sorted(Purpose)


@pytest.mark.parametrize(
    ("records", "supplied_on", "ground"),
    [
        # Social Security Act 1834(a)(17), from memory: written permission, or a supply within 15 months.
        ([], None, CallGround.NONE),
        ([], date(2025, 1, 19), CallGround.SUPPLIED),
        ([], date(2025, 1, 18), CallGround.NONE),
        ([Said("phone", "", True)], date(2025, 1, 18), CallGround.NONE),  # a spoken yes is not written
        ([Said("phone", "", True, on_paper=True)], None, CallGround.WRITTEN),
        ([Said("phone", "", True, on_paper=True), Said("phone", "", False)], None, CallGround.REFUSED),
        ([Said("phone", "", False)], date(2026, 4, 1), CallGround.REFUSED),
    ],
)
def test_grounds_of_a_call(records: list[Said], supplied_on: date | None, ground: CallGround) -> None:
    assert may_call(records, supplied_on=supplied_on, today=date(2026, 4, 18)) is ground
