"""What a calendar holds, and the keys by which an entry stays itself."""

from dataclasses import replace
from datetime import date

import pytest

from resupply.delivery.calendar_entries import Entry, Look, entries
from resupply.rules.cleaning import Checklist, Frequency
from resupply.rules.facts import PatientFacts, Pause, Policy, Swap
from resupply.rules.kinds import Kind
from resupply.rules.lines import plan_lines
from tests.rules.build import CUSHION, HEADGEAR, MASK, gave, months, on, own_life, shipped_policy

POLICY = shipped_policy()
THREE = PatientFacts(deliveries=(gave(3, CUSHION, "2026-01-01"),))  # worn 02-01, 03-01, 04-01


def shown(
    facts: PatientFacts,
    as_of: str,
    *,
    policy: Policy = POLICY,
    look: Look = Look(),  # noqa: B008 - frozen
) -> dict[str, str]:
    """Day by key of the due days."""
    found = entries(plan_lines(facts, policy, as_of=on(as_of)), (), look)
    assert len({entry.key for entry in found}) == len(found)
    return {entry.key: entry.on.isoformat() for entry in found}


def test_changes_the_end_of_supply_and_the_day_to_ask() -> None:
    """Three cushions, a month each: spares start 02-01 and 03-01, nothing is left on 04-01."""
    assert shown(THREE, "2026-01-15") == {
        "change:cushion:1": "2026-02-01",
        "change:cushion:2": "2026-03-01",
        "change:cushion:3": "2026-04-01",
        "refill:cushion:3": "2026-03-02",
    }


def test_an_assumed_swap_leaves_what_is_still_to_come_as_it_was() -> None:
    before, after = shown(THREE, "2026-01-15"), shown(THREE, "2026-02-10")
    assert after == {key: day for key, day in before.items() if key != "change:cushion:1"}


def test_a_reported_swap_moves_entries_that_stay_themselves() -> None:
    early = replace(THREE, swaps=(Swap(on("2026-01-20"), Kind.CUSHION),))
    assert shown(early, "2026-01-25") == {
        "change:cushion:2": "2026-02-20",
        "change:cushion:3": "2026-03-20",
        "refill:cushion:3": "2026-02-18",
    }


def test_a_policy_that_changes_lives_moves_every_entry_and_renames_none() -> None:
    longer = replace(POLICY, clinic_lives=own_life(CUSHION, ("2026-01-01", months(2))))
    before, after = shown(THREE, "2026-01-15"), shown(THREE, "2026-01-15", policy=longer)
    assert before.keys() == after.keys()
    assert after["change:cushion:3"] == "2026-07-01"


def test_a_dispense_turns_the_end_of_supply_into_a_change_and_asks_anew_for_the_new_end() -> None:
    more = replace(THREE, deliveries=(*THREE.deliveries, gave(1, CUSHION, "2026-03-20")))
    look = Look(detailed=True)
    before = {e.key: e for e in entries(plan_lines(THREE, POLICY, as_of=on("2026-03-20")), (), look)}
    after = {e.key: e for e in entries(plan_lines(more, POLICY, as_of=on("2026-03-20")), (), look)}
    assert before.keys() == {"change:cushion:3", "refill:cushion:3"}
    assert after.keys() == {"change:cushion:3", "change:cushion:4", "refill:cushion:4"}
    same_day = before["change:cushion:3"], after["change:cushion:3"]
    assert [entry.on.isoformat() for entry in same_day] == ["2026-04-01", "2026-04-01"]
    assert [entry.text.summary for entry in same_day] == ["New one needed: cushion", "Change: cushion"]
    assert same_day[0].digest() != same_day[1].digest()


def test_days_of_one_purpose_that_fall_together_are_one_entry_under_the_first_parts_key() -> None:
    both = PatientFacts(deliveries=(gave(1, MASK, "2026-01-01"), gave(3, CUSHION, "2026-01-01")))
    found = entries(plan_lines(both, POLICY, as_of=on("2026-01-15")), (), Look(detailed=True))
    on_the_day = [entry for entry in found if entry.on == date(2026, 4, 1)]
    assert [(entry.key, entry.text.summary) for entry in on_the_day] == [
        ("change:mask:1", "New one needed: mask, cushion")
    ]
    asked = [entry for entry in found if entry.key.startswith("refill")]
    assert [(entry.key, entry.text.summary) for entry in asked] == [
        ("refill:mask:1", "Think about new parts: mask, cushion")
    ]


def test_an_entry_whose_companion_moves_away_keeps_its_day_and_the_mover_its_key() -> None:
    both = PatientFacts(deliveries=(gave(1, MASK, "2026-01-01"), gave(3, CUSHION, "2026-01-01")))
    moved = replace(both, swaps=(Swap(on("2026-01-20"), Kind.CUSHION),))
    assert shown(both, "2026-01-25")["change:mask:1"] == "2026-04-01"
    after = shown(moved, "2026-01-25")
    assert after["change:mask:1"] == "2026-04-01"
    assert after["change:cushion:3"] == "2026-03-20"


@pytest.mark.parametrize(
    ("pause", "expected", "sentence"),
    [
        (Pause(on("2026-01-10")), {}, "an open pause moves every later day, so none is shown"),
        (
            Pause(on("2026-01-10"), on("2026-01-24")),
            {
                "change:cushion:1": "2026-02-15",
                "change:cushion:2": "2026-03-15",
                "change:cushion:3": "2026-04-15",
            },
            "a pause that ends moves them by its days",
        ),
    ],
)
def test_pauses(pause: Pause, expected: dict[str, str], sentence: str) -> None:
    paused = replace(THREE, pauses=(pause,))
    look = Look(with_refills=False)
    assert shown(paused, "2026-01-15", look=look) == expected, sentence


def test_days_before_an_open_pause_stay() -> None:
    overdue = PatientFacts(deliveries=(gave(1, HEADGEAR, "2025-01-01"),), pauses=(Pause(on("2026-01-10")),))
    assert shown(overdue, "2026-01-15") == {
        "change:headgear:1": "2025-07-01",
        "refill:headgear:1": "2025-06-01",
    }


def test_nothing_left_in_use_is_the_day_the_last_unit_left() -> None:
    none = plan_lines(THREE, POLICY, as_of=on("2026-06-01"))
    assert {e.key: e.on.isoformat() for e in entries(none, (), Look(with_refills=False))} == {
        "change:cushion:3": "2026-04-01"
    }


def series(*days: tuple[str, str | None]) -> list[Checklist]:
    return [
        Checklist(Frequency.WEEKLY, on(start), on(end) if end else None, ("wash_mask",))
        for start, end in days
    ]


def cleaning_days(found: tuple[Entry, ...]) -> list[tuple[str, str, str | None]]:
    return [
        (e.key, e.on.isoformat(), e.repeat.until.isoformat() if e.repeat and e.repeat.until else None)
        for e in found
    ]


def test_series_start_no_earlier_than_the_calendar_and_keep_their_number() -> None:
    told = series(("2025-01-01", "2025-03-01"), ("2025-03-15", "2026-02-01"), ("2026-02-10", None))
    look = Look(weekday=6, since=on("2025-12-31"))
    assert cleaning_days(entries((), told, look)) == [
        ("clean:weekly:2", "2026-01-04", "2026-01-31"),
        ("clean:weekly:3", "2026-02-15", None),
    ]


def test_a_series_over_before_its_first_day_is_left_out() -> None:
    told = series(("2026-02-02", "2026-02-05"))  # Monday to Wednesday, cleaning on Sundays
    assert entries((), told, Look(weekday=6)) == ()


def test_no_lines_and_no_checklists_is_nothing() -> None:
    assert entries((), (), Look()) == ()


@pytest.mark.parametrize(
    "change",
    [
        {"on": date(2026, 1, 2)},
        {"alarm_hour": 9},
        {"alarm_hour": 0},
    ],
)
def test_the_digest_differs_where_people_see_a_difference(change: dict[str, object]) -> None:
    look = Look(month_day=30, since=on("2026-02-01"))
    told = [Checklist(Frequency.MONTHLY, on("2026-02-01"), None, ("check_filter",))]
    entry = entries((), told, look)[0]
    assert replace(entry, **change).digest() != entry.digest()  # type: ignore[arg-type]
    other = entries((), told, replace(look, month_day=31))[0]
    assert (other.key, other.on) == (entry.key, entry.on)  # both on 28 February first
    assert other.digest() != entry.digest()
    assert entries((), told, replace(look, language="es"))[0].digest() != entry.digest()
    assert entries((), told, look)[0].digest() == entry.digest()
