"""Swaps, losses, pauses and refits: what they change, and what is refused."""

from datetime import date, timedelta

import pytest

from resupply.models import Event, PlanLine
from resupply.services import events, plans
from resupply.services.errors import Refused
from tests.builders import NOW, TODAY, make_dispense
from tests.cast import Cast


@pytest.fixture
def cushions(cast: Cast) -> Cast:
    """Odalys got three cushions on 2026-01-01: since 03-01 the last one is in use."""
    make_dispense(cast.odalys, on=date(2026, 1, 1), lines=[{"quantity": 3}])
    plans.refresh_plans([cast.odalys.pk], now=NOW)
    return cast


def swap(cast: Cast, on: date, **over: object) -> Event:
    return events.record_swap(
        patient=cast.odalys,
        kind="cushion",
        on=on,
        by=cast.desk.user,
        now=NOW,
        **over,  # type: ignore[arg-type]
    )


def line(cast: Cast) -> PlanLine:
    return PlanLine.objects.get(patient=cast.odalys, kind="cushion")


def test_a_swap_starts_the_next_spare_on_its_day(cushions: Cast) -> None:
    # Worked example of the rules: 3 units on 2026-01-01, swap on 01-20, the supply then ends on 03-20.
    swap(cushions, date(2026, 1, 20))
    assert line(cushions).supply_ends_on == date(2026, 3, 20)


def test_a_swap_soon_after_an_assumed_one_corrects_its_day(cushions: Cast) -> None:
    # Worked example of the rules: assumed on 02-01, reported for 02-03: no spare is used up.
    swap(cushions, date(2026, 2, 3))
    assert line(cushions).supply_ends_on == date(2026, 4, 3)


def test_a_swap_without_a_spare_is_refused_with_what_to_do(cushions: Cast) -> None:
    with pytest.raises(Refused) as refused:
        swap(cushions, TODAY)
    assert refused.value.code == "no_spare"
    assert "Log the dispense" in refused.value.message
    assert not Event.objects.exists()


def test_a_swap_without_a_spare_is_kept_when_staff_insist(cushions: Cast) -> None:
    before = line(cushions).supply_ends_on
    swap(cushions, TODAY, keep_anyway=True)
    assert line(cushions).supply_ends_on == before
    assert Event.objects.count() == 1


def test_a_swap_of_a_part_the_patient_never_had(cushions: Cast) -> None:
    with pytest.raises(Refused) as refused:
        events.record_swap(patient=cushions.odalys, kind="tubing", on=TODAY, by=None, now=NOW)
    assert refused.value.code == "no_spare"
    with pytest.raises(Refused) as unknown:
        events.record_swap(patient=cushions.odalys, kind="sofa", on=TODAY, by=None, now=NOW)
    assert unknown.value.code == "kind"


def test_the_same_swap_is_recorded_once(cushions: Cast) -> None:
    swap(cushions, date(2026, 1, 20))
    with pytest.raises(Refused) as refused:
        swap(cushions, date(2026, 1, 20))
    assert refused.value.code == "already"


@pytest.mark.parametrize(("on", "code"), [(date(2026, 3, 19), "future"), (date(1961, 2, 3), "before_birth")])
def test_impossible_days(cushions: Cast, on: date, code: str) -> None:
    for write in (
        lambda: swap(cushions, on),
        lambda: events.record_loss(patient=cushions.odalys, kind="cushion", on=on, by=None, now=NOW),
        lambda: events.record_refit(patient=cushions.odalys, family="Birch", on=on, by=None, now=NOW),
    ):
        with pytest.raises(Refused) as refused:
            write()
        assert refused.value.code == code


def test_a_loss_ends_the_unit_in_use(cushions: Cast) -> None:
    events.record_loss(patient=cushions.odalys, kind="cushion", on=TODAY, by=cushions.desk.user, now=NOW)
    assert (line(cushions).in_use_since, line(cushions).supply_ends_on) == (None, TODAY)
    with pytest.raises(Refused) as refused:
        events.record_loss(patient=cushions.odalys, kind="mask", on=TODAY, by=None, now=NOW)
    assert refused.value.code == "nothing_in_use"


def test_a_pause_moves_the_supply_by_its_days(cushions: Cast) -> None:
    events.record_pause(
        patient=cushions.odalys, on=date(2026, 3, 4), until=date(2026, 3, 14), by=None, now=NOW
    )
    assert line(cushions).supply_ends_on == date(2026, 4, 11)


def test_an_open_pause_is_ended_by_a_closed_row_beside_the_voided_one(cushions: Cast) -> None:
    pause = events.record_pause(patient=cushions.odalys, on=date(2026, 3, 4), until=None, by=None, now=NOW)
    assert line(cushions).paused_from == date(2026, 3, 4)
    closed = events.end_pause(pause, until=date(2026, 3, 14), by=cushions.desk.user, now=NOW)
    pause.refresh_from_db()
    assert pause.void_reason == "ended: therapy again from Sat 14 Mar 2026"
    assert (closed.on, closed.until) == (date(2026, 3, 4), date(2026, 3, 14))
    assert (line(cushions).paused_from, line(cushions).supply_ends_on) == (None, date(2026, 4, 11))
    with pytest.raises(Refused) as refused:
        events.end_pause(pause, until=date(2026, 3, 15), by=None, now=NOW)
    assert refused.value.code == "not_open"


def test_pauses_do_not_overlap_and_end_after_they_start(cushions: Cast) -> None:
    def pause(on: date, until: date | None) -> None:
        events.record_pause(patient=cushions.odalys, on=on, until=until, by=None, now=NOW)

    pause(date(2026, 3, 4), date(2026, 3, 14))
    for on, until, code in [
        (date(2026, 3, 13), None, "overlap"),
        (date(2026, 3, 1), date(2026, 3, 5), "overlap"),
        (date(2026, 2, 2), date(2026, 2, 2), "until"),
        (TODAY + timedelta(days=400), None, "too_far"),
        (date(2026, 3, 20), date(3026, 3, 27), "too_far"),
    ]:
        with pytest.raises(Refused) as refused:
            pause(on, until)
        assert refused.value.code == code
    pause(date(2026, 3, 14), None)
    assert Event.objects.count() == 2


def test_a_refit_ends_units_of_other_families(cushions: Cast) -> None:
    events.record_refit(patient=cushions.odalys, family=" Birch ", on=TODAY, by=None, now=NOW)
    assert Event.objects.get().family == "Birch"
    assert (line(cushions).in_use_since, line(cushions).supply_ends_on) == (None, TODAY)
    with pytest.raises(Refused) as refused:
        events.record_refit(patient=cushions.odalys, family="Birch", on=TODAY, by=None, now=NOW)
    assert refused.value.code == "already"
    with pytest.raises(Refused) as refused:
        events.record_refit(patient=cushions.odalys, family=" ", on=TODAY, by=None, now=NOW)
    assert refused.value.code == "family"


def test_a_voided_event_gives_the_plan_back(cushions: Cast) -> None:
    before = PlanLine.objects.values().get()
    loss = events.record_loss(patient=cushions.odalys, kind="cushion", on=TODAY, by=None, now=NOW)
    events.void_event(loss, reason="it was found again", by=cushions.desk.user, now=NOW)
    assert PlanLine.objects.values().get() == before
    assert Event.objects.get().void_reason == "it was found again"
