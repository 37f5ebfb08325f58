"""Every kind of write that may change what a patient holds or may have, as values that Hypothesis can draw.

Each write goes through its service, as pages, tasks and commands do. A service may refuse; then it wrote
nothing. `back` and `ahead` count days from the world's today, so that a history stays near the present.
"""

import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

from hypothesis import strategies as st

from resupply.models import (
    Dispense,
    DispenseLine,
    Event,
    EventType,
    ImportBatch,
    Location,
    Patient,
    PatientReport,
    PatientStatus,
    Payer,
    RefillAnswer,
)
from resupply.rules.cleaning import cleaning_tasks
from resupply.rules.kinds import Kind
from resupply.rules.periods import Period, Unit
from resupply.rules.tables import part_types
from resupply.services import (
    answers,
    corrections,
    dispensing,
    events,
    exchanges,
    own_lives,
    own_page,
    people,
    plans,
    policies,
)
from resupply.services.importing import import_folder
from resupply.services.importing.undo import undo_import
from tests import builders
from tests.services.importing import ALLOWANCES, DISPENSES, EVENTS, LIVES, PATIENTS, write

REASON = "a reason typed by staff"


@dataclass(slots=True)
class World:
    """Two patients, two payers, two locations, and the moment it is."""

    now: datetime
    patients: list[Patient]
    payers: list[Payer]
    locations: list[Location]

    @classmethod
    def make(cls) -> "World":
        """The world before anything happens: the first patient is insured, the second pays."""
        places = [builders.make_location(), builders.make_location(time_zone="Pacific/Auckland")]
        payers = [
            builders.make_payer(name="One", refill_source="shipped", allowances=[{}]),
            builders.make_payer(name="Two"),
        ]
        insured = builders.make_patient(reference="P0", payer=payers[0], location=places[0])
        paying = builders.make_patient(reference="P1", location=places[1], time_zone="Pacific/Auckland")
        plans.refresh_plans([insured.pk, paying.pk], now=builders.NOW)
        return cls(builders.NOW, [insured, paying], payers, places)

    @property
    def today(self) -> date:
        """The day it is in UTC, where it is already that day in both zones or nearly so."""
        return self.now.date()

    def patient(self, number: int) -> Patient:
        """A patient as on record now."""
        return Patient.objects.select_related("location").get(pk=self.patients[number].pk)

    def day(self, back: int) -> date:
        """A day so many days back (ahead, where negative)."""
        return self.today - timedelta(days=back)


Write = Callable[[World], object]

whose = st.integers(0, 1)
back = st.integers(0, 150)
around = st.integers(-60, 150)
kinds = st.sampled_from(
    [Kind.MASK, Kind.CUSHION, Kind.CUSHION, Kind.HEADGEAR, Kind.TUBING, Kind.FILTER_DISPOSABLE, Kind.CHAMBER]
)
codes = st.sampled_from(
    ["A7034", "A7030", "A7032", "A7032", "A7033", "A7035", "A7037", "A7038", "A7046", "A7044"]
)
families = st.sampled_from(["", "Aspen", "Birch"])
periods = st.builds(Period, st.integers(1, 3), st.sampled_from([Unit.MONTH, Unit.WEEK]))


@st.composite
def new_lines(draw: st.DrawFn) -> dispensing.NewLine:
    """A line of a dispense; masks may hold parts."""
    code = draw(codes)
    packed: tuple[str, ...] = ()
    if part_types()[code].kind is Kind.MASK:
        packed = draw(st.sampled_from([(), ("A7032",), ("A7032", "A7035"), ("A7033", "A7032")]))
    return dispensing.NewLine(
        part_code=code,
        quantity=draw(st.integers(1, 4)),
        family=draw(families),
        contains=packed,
        billed=draw(st.sampled_from([None, None, False])),
        exception_reason=REASON,
        notice="not_owed",
    )


@st.composite
def dispense(draw: st.DrawFn) -> Write:
    """Parts given at the desk."""
    number, days = draw(whose), draw(back)
    lines = draw(st.lists(new_lines(), min_size=1, max_size=3))
    first_use = draw(st.one_of(st.none(), st.integers(0, 30)))

    def act(world: World) -> object:
        patient, on = world.patient(number), world.day(days)
        first = replace(lines[0], first_use_on=None if first_use is None else on + timedelta(days=first_use))
        return dispensing.record_dispense(
            patient=patient,
            location=patient.location,
            dispensed_on=on,
            lines=[first, *lines[1:]],
            by=None,
            now=world.now,
        )

    return act


@st.composite
def void(draw: st.DrawFn) -> Write:
    """Something on record taken back: a line, a dispense, an event."""
    what, place = draw(st.sampled_from(["line", "dispense", "event"])), draw(st.integers(0, 5))

    def act(world: World) -> object:
        stamp: dict[str, Any] = {"reason": REASON, "by": None, "now": world.now}
        if what == "line" and (line := _some(DispenseLine, place)):
            return corrections.void_line(line, **stamp)
        if what == "dispense" and (given := _some(Dispense, place)):
            return corrections.void_dispense(given, **stamp)
        if what == "event" and (event := _some(Event, place)):
            return events.void_event(event, **stamp)
        return None

    return act


@st.composite
def correction(draw: st.DrawFn) -> Write:
    """An exchange, a parcel that came back or was lost, or a void undone."""
    what = draw(st.sampled_from(["exchange", "exchange", "undelivered", "lost", "restore", "restore"]))
    place, days, code = draw(st.integers(0, 5)), draw(st.integers(0, 40)), draw(codes)

    def act(world: World) -> object:
        stamp: dict[str, Any] = {"by": None, "now": world.now}
        line = _some(DispenseLine, place)
        if what == "exchange" and line:
            same_kind = line.part_code if part_types()[code].kind != line.kind else code
            item = builders.make_item(kind=line.kind, part_code=same_kind, family="Birch")
            new = exchanges.Replacement(item=item, exception_reason=REASON, notice="not_owed")
            on = min(world.today, line.dispense.dispensed_on + timedelta(days=days))
            return exchanges.exchange(line, new, on=on, reason=REASON, back_to_shelf=False, **stamp)
        if what in {"undelivered", "lost"} and (given := _some(Dispense, place)):
            Dispense.objects.filter(pk=given.pk).update(given="shipped")  # no fact of any plan
            given.refresh_from_db()
            gone = corrections.parcel_lost if what == "lost" else corrections.parcel_undelivered
            return gone(given, on=world.today, **stamp)
        if what == "restore" and line:
            if place % 2:
                return corrections.restore(
                    corrections.void_dispense(line.dispense, reason=REASON, **stamp), **stamp
                )
            return corrections.restore(corrections.void_line(line, reason=REASON, **stamp), **stamp)
        return None

    return act


@st.composite
def happening(draw: st.DrawFn) -> Write:
    """A swap, loss, pause, the end of a pause, or a refit."""
    what = draw(st.sampled_from(["swap", "loss", "pause", "end", "refit"]))
    number, days, kind = draw(whose), draw(back), draw(kinds)
    length, family = draw(st.one_of(st.none(), st.integers(1, 60))), draw(st.sampled_from(["Aspen", "Birch"]))

    def act(world: World) -> object:
        patient, on = world.patient(number), world.day(days)
        stamp: dict[str, Any] = {"by": None, "now": world.now}
        if what == "swap":
            return events.record_swap(patient=patient, kind=kind, on=on, keep_anyway=True, **stamp)
        if what == "loss":
            return events.record_loss(patient=patient, kind=kind, on=on, **stamp)
        if what == "refit":
            return events.record_refit(patient=patient, family=family, on=on, **stamp)
        if what == "pause":
            until = None if length is None else on + timedelta(days=length)
            return events.record_pause(patient=patient, on=on - timedelta(days=7), until=until, **stamp)
        pause = Event.objects.filter(event=EventType.PAUSE, until=None, voided_at=None).first()
        return pause and events.end_pause(pause, until=max(on, pause.on) + timedelta(days=1), **stamp)

    return act


@st.composite
def version(draw: st.DrawFn) -> Write:
    """A dated version of the clinic's or a payer's rules, or one patient's own life."""
    what = draw(st.sampled_from(["clinic life", "own life", "allowance", "refill rule", "terms", "cleaning"]))
    number, code, period, days = draw(whose), draw(codes), draw(periods), draw(around)
    small = draw(st.integers(1, 4))

    def act(world: World) -> object:
        stamp: dict[str, Any] = {"effective_from": world.day(days), "by": None, "now": world.now}
        if what == "clinic life":
            return policies.set_life(code, period, reason="", **stamp)
        if what == "own life":
            life = None if small == 1 else period
            return own_lives.set_own_life(world.patient(number), code, life, reason=REASON, **stamp)
        if what == "allowance":
            payer = world.payers[number]
            return policies.set_allowance(payer, code, units=small, period=period, at_once_periods=2, **stamp)
        if what == "refill rule":
            payer_or_clinic = [None, *world.payers][small % 3]
            return policies.set_refill_rule(
                payer_or_clinic, contact_lead_days=20 + small, delivery_lead_days=5 + small, **stamp
            )
        if what == "terms":
            return policies.set_terms(gap_days=small, target=period, **stamp)
        frequency = ["", "daily", "weekly", "monthly"][small - 1]
        return policies.set_cleaning(sorted(cleaning_tasks())[number], frequency, **stamp)

    return act


@st.composite
def person(draw: st.DrawFn) -> Write:
    """Who pays, the status, the location, the zone, the birth; or another patient."""
    what = draw(st.sampled_from(["coverage", "status", "place", "zone", "new"]))
    number, days, which = draw(whose), draw(around), draw(st.integers(0, 2))
    status = draw(st.sampled_from(PatientStatus.values))

    def act(world: World) -> object:
        patient = world.patient(number)
        if what == "coverage":
            payer = [None, *world.payers][which]
            return people.set_coverage(patient, payer, starts_on=world.day(days), by=None, now=world.now)
        if what == "status":
            return people.change_status(patient, status, now=world.now)
        details = _details(patient)
        if what == "place":
            return people.update_patient(
                patient, replace(details, location=world.locations[which % 2]), now=world.now
            )
        if what == "zone":
            zone = ["Pacific/Auckland", "America/Los_Angeles", "Pacific/Kiritimati"][which]
            return people.update_patient(patient, replace(details, time_zone=zone), now=world.now)
        details = replace(details, reference=f"N{Patient.objects.count()}")
        return people.create_patient(details, by=None, now=world.now, payer=world.payers[0])

    return act


@st.composite
def imported(draw: st.DrawFn) -> Write:
    """A folder of files, each with a row or none."""
    number, days, code, kind = draw(whose), draw(back), draw(codes), draw(kinds)
    quantity, billed = draw(st.integers(1, 6)), draw(st.sampled_from(["yes", "no"]))
    files = draw(
        st.sets(st.sampled_from(["patients", "lives", "allowances", "dispenses", "events"]), min_size=1)
    )
    payer = draw(st.sampled_from(["One", "Two", ""]))
    whole = draw(st.booleans())

    def act(world: World) -> object:
        on = world.day(days)
        rows = {
            "patients": f"{PATIENTS}\nP{number},Ana,Ek,1961-02-04,,,,,Elsewhere,{payer},\n",
            "lives": f"{LIVES}\n{code},{quantity},week,{on},{f'P{number}' if whole else ''},{REASON}\n",
            "allowances": f"{ALLOWANCES}\nOne,{code},{quantity},1,month,,{on}\n",
            "dispenses": f"{DISPENSES}\nP{number},{on},{code},{quantity},,{billed},Birch,,,\n",
            "events": f"{EVENTS}\nP{number},{'swap' if whole else 'lost'},{kind},{on},,\n",
        }
        with tempfile.TemporaryDirectory() as folder:
            write(Path(folder), **{name: rows[name] for name in files})
            return import_folder(Path(folder), commit=True, now=world.now)

    return act


@st.composite
def answer(draw: st.DrawFn) -> Write:
    """What a patient says about some parts; or such an answer taken back."""
    number, days, wish = draw(whose), draw(back), draw(st.sampled_from(["yes", "yes", "not_now", "stop"]))
    about, place = draw(st.sets(kinds, max_size=3)), draw(st.integers(0, 5))

    def act(world: World) -> object:
        if place == 0:
            said = _some(RefillAnswer, number)
            return said and answers.void_answer(said, reason=REASON, by=None, now=world.now)
        patient = world.patient(number)
        held = sorted(about & set(patient.plan_lines.values_list("kind", flat=True)))
        items = [answers.NewItem(kind=kind, wanted=wish == "yes", need="worn") for kind in held]
        return answers.record_answer(
            patient=patient, wish=wish, items=items, channel="phone", contacted_on=world.day(days), by=None,
            now=world.now,
        )  # fmt: skip

    return act


@st.composite
def on_the_own_page(draw: st.DrawFn) -> Write:
    """What a patient does alone: part changes, pauses, reports, days of cleaning, and the undoing of each."""
    what = draw(
        st.sampled_from(["changed", "stop", "again", "pause again", "days", "told", "undo", "undo change"])
    )
    number, kind, place = draw(whose), draw(kinds), draw(st.integers(0, 5))

    def act(world: World) -> object:
        patient, now = world.patient(number), world.now
        if what == "changed":
            return own_page.changed(patient, kind=kind, now=now)
        if what == "stop":
            return own_page.stop_using(patient, why="at my sister's", now=now)
        if what == "again":
            return own_page.use_again(patient, now=now)
        if what == "pause again":
            return own_page.pause_again(patient, now=now)
        if what == "days":
            return own_page.set_cleaning_days(patient, weekday=place, month_day=31 - place, hour=20, now=now)
        if what == "told":
            return own_page.report(patient, told=["leak", "ill"][place % 2], note="", now=now)
        if what == "undo":
            told = _some(PatientReport, place)
            return told and own_page.undo_report(told, now=now)
        swap = _some(Event.objects.filter(by_patient=True), place)
        return swap and own_page.undo_change(swap, now=now)

    return act


@st.composite
def undone(draw: st.DrawFn) -> Write:
    """An import taken back as a whole, where there is one that stands."""
    which = draw(st.integers(0, 5))

    def act(world: World) -> object:
        standing = ImportBatch.objects.filter(undone_at=None).order_by("pk")
        if not (count := standing.count()):
            return None
        return undo_import(standing[which % count], reason=REASON, by=None, now=world.now)

    return act


@st.composite
def time_passes(draw: st.DrawFn) -> Write:
    """Some days go by; beat's sweep refreshes what has run out."""
    hours = draw(st.integers(1, 24 * 40))

    def act(world: World) -> object:
        world.now += timedelta(hours=hours)
        return plans.refresh_expired(now=world.now)

    return act


def any_write() -> st.SearchStrategy[Write]:
    """Any of them; dispenses twice as often, so that there is something to happen to."""
    return st.one_of(
        dispense(),
        dispense(),
        happening(),
        happening(),
        void(),
        correction(),
        answer(),
        on_the_own_page(),
        version(),
        person(),
        imported(),
        undone(),
        time_passes(),
    )


def _some(of: Any, place: int) -> Any:
    """A standing record, by its place in the order of recording; None where there are none. `of`: a model, or
    some of its rows.
    """
    standing = getattr(of, "objects", of).filter(voided_at=None).order_by("pk")
    return standing[place % count] if (count := standing.count()) else None


def _details(patient: Patient) -> people.PatientDetails:
    """A patient's details as a form would send them back."""
    return people.PatientDetails(**{name: getattr(patient, name) for name in people.PatientDetails.__slots__})
