"""The demo clinic: every state on the day it is loaded for, the same day the same clinic, all invented."""

import doctest
from dataclasses import dataclass, replace
from datetime import date
from io import StringIO
from itertools import pairwise

import pytest
from django.core.management import CommandError, call_command
from django.db.models import F, Q
from pytest_django import DjangoAssertNumQueries, Settings

from resupply.models import (
    Consent,
    Dispense,
    DispenseLine,
    Event,
    LifeVersion,
    MagnetScreen,
    Patient,
    PlanChecklist,
    PlanLine,
    PlanState,
    Proof,
    Staff,
)
from resupply.queries import facts as facts_of
from resupply.queries import screening
from resupply.queries.overdue_ages import AGES
from resupply.queries.plan_table import patient_plans, plan_rows
from resupply.rules.kinds import Kind
from resupply.rules.limits import limit_of
from resupply.rules.lines import LinePlan, LineStatus, State, read
from resupply.rules.magnets import Reason, verdict
from resupply.services import plans
from resupply.services.demo import clinic, dates
from resupply.services.errors import Refused
from tests.builders import make_patient
from tests.demo_days import AUTUMN, DAYS, LEAP, USUAL, DemoOn, load, midday

every_day = pytest.mark.parametrize("day", DAYS, ids=str)
hard_days = pytest.mark.parametrize("day", [LEAP, AUTUMN], ids=str)
"""Where months end: what holds here and is no matter of states holds on other days."""


@dataclass(frozen=True)
class Read:
    """A line of a patient on therapy, as read on the day."""

    reference: str
    line: LinePlan
    status: LineStatus


def lines(day: date) -> list[Read]:
    """The lines of patients on therapy, by the rules, from the records."""
    on_therapy = set(Patient.objects.filter(status="on_therapy").values_list("reference", flat=True))
    return [
        Read(patient.reference, line, read(line, as_of=day))
        for patient in patient_plans(as_of=day)
        for line in patient.lines
        if patient.reference in on_therapy
    ]


@every_day
def test_every_state_and_every_kind_of_record_shows_on_the_day(demo_on: DemoOn, day: date) -> None:
    demo_on(day)
    _check_states(day)
    _check_records()


def _check_states(day: date) -> None:
    found = lines(day)
    assert {row.status.state for row in found} == set(State)
    late = [row.status.days_overdue for row in found if row.status.days_overdue]
    for least, most in AGES:
        assert [days for days in late if least <= days and (most is None or days <= most)], (least, most)
    waiting = [row for row in found if row.status.waiting_for_coverage]
    assert {row.status.state is State.OVERDUE for row in waiting} == {True, False}
    pauses = [row.line for row in found if row.status.state is State.PAUSED]
    assert {line.paused_until is None for line in pauses} == {True, False}


@hard_days
def test_every_way_of_paying_shows(demo_on: DemoOn, day: date) -> None:
    demo_on(day)
    kinds_of_limit = set()
    for plan in PlanLine.objects.filter(active=True).select_related("payer"):
        kinds_of_limit.add((plan.payer.name if plan.payer else "", plan.allowance_units is not None))
    wanted = {("", False), ("Payer D", False), ("Payer A", False)}  # pays; none published; none for a code
    wanted |= {("Payer A", True), ("Payer B", True), ("Payer C", True)}
    assert kinds_of_limit == wanted
    assert LifeVersion.objects.filter(patient=None).exists()
    own = LifeVersion.objects.filter(patient__isnull=False)
    assert own.count() == 2
    assert all(life.reason for life in own)


def _check_records() -> None:
    happened = Event.objects.values_list("event", flat=True).distinct()
    assert set(happened) == {"swap", "loss", "pause", "refit"}
    void = Dispense.objects.filter(voided_at__isnull=False)
    assert sorted(void.values_list("parcel", flat=True)) == ["", "lost"]
    alone = DispenseLine.objects.filter(voided_at__isnull=False, dispense__voided_at=None)
    assert sorted(line.exchanged_for.count() for line in alone) == [0, 1]
    _check_proofs()
    assert DispenseLine.objects.exclude(exception_reason="").exists()
    assert Dispense.objects.filter(supplied_by="elsewhere").count() == 2
    assert DispenseLine.objects.exclude(contains=[]).exists()
    statuses = list(Patient.objects.values_list("status", flat=True))
    assert [statuses.count(one) for one in ("ended", "died", "moved")] == [2, 1, 1]
    assert Patient.objects.filter(dispenses=None).count() == 1


@every_day
def test_every_stop_of_magnets_shows_and_one_call_is_urgent(demo_on: DemoOn, day: date) -> None:
    demo_on(day)
    asked = {
        patient.pk: verdict(screening.newest_screen(patient.pk), as_of=day).reason
        for patient in Patient.objects.filter(status="on_therapy")
    }
    reasons = list(asked.values())
    assert set(reasons) == {None, *Reason}
    assert reasons.count(None) > len(reasons) / 2
    (urgent,) = screening.urgent((), today=day)
    assert asked[urgent.patient.pk] is Reason.YES
    assert all(part.is_certain for part in urgent.parts)
    (cleared,) = MagnetScreen.objects.exclude(cleared_reason="")
    assert asked[cleared.patient_id] is None
    assert MagnetScreen.objects.latest("asked_on").asked_on <= day


def _check_proofs() -> None:
    """Most slips are signed, some wait; parcels have a carrier and an address; exceptions their notice."""
    ours = Dispense.objects.filter(supplied_by="us", voided_at=None)
    proved = ours.filter(proofs__isnull=False).count()
    assert 0.8 < proved / ours.count() < 1
    assert set(Proof.objects.values_list("method", flat=True)) == {"signed", "carrier"}
    for proof in Proof.objects.filter(method="signed").select_related("dispense__patient"):
        assert proof.relation != "self" or proof.signed_by == proof.dispense.patient.name
    assert not ours.filter(given="shipped").filter(Q(carrier="") | Q(delivery_address="")).exists()
    assert DispenseLine.objects.filter(notice="given", notice_on=F("dispense__dispensed_on")).exists()


@hard_days
def test_a_fifth_of_the_patients_is_overdue_somewhere(demo_on: DemoOn, day: date) -> None:
    demo_on(day)
    found = lines(day)
    late = {row.reference for row in found if row.status.state is State.OVERDUE}
    assert Patient.objects.count() == 60
    assert 9 <= len(late) <= 15
    calm = {row.reference for row in found} - {
        row.reference for row in found if row.status.state is not State.IN_SUPPLY
    }
    assert len(calm) >= 24


def test_the_same_day_gives_the_same_clinic(demo_on: DemoOn) -> None:
    demo_on(LEAP)
    here = _content(LEAP)
    demo_on(LEAP, again=True)
    assert _content(LEAP) == here
    demo_on(AUTUMN)
    assert _content(AUTUMN) != here


def _content(day: date) -> list[object]:
    """What the export and the records say, without ids."""
    return [
        *plan_rows(as_of=day),
        *DispenseLine.objects.order_by("id").values_list(
            "dispense__patient__reference", "dispense__dispensed_on", "dispense__given", "part_code",
            "quantity", "lot", "expires_on", "billed_to__name", "void_reason", "item__name",
            "recorded_at",
        ),
        *Patient.objects.order_by("id").values_list("reference", "email", "address", "birth_date"),
        *Consent.objects.order_by("id").values_list("patient__reference", "granted", "given_on", "how"),
    ]  # fmt: skip


@hard_days
def test_no_plan_is_stale(demo_on: DemoOn, day: date) -> None:
    demo_on(day)
    stored = _stored()
    for model in (PlanLine, PlanChecklist, PlanState):
        model._default_manager.all().delete()
    list(plans.rebuild_plans(now=midday(day)))
    assert _stored() == stored
    assert len(stored) > 300


def _stored() -> list[tuple[object, ...]]:
    return [
        row
        for model in (PlanLine, PlanChecklist, PlanState)
        for row in model._default_manager.order_by(
            "patient_id", *(["kind"] if model is PlanLine else []), *_more(model)
        ).values_list(*(field.attname for field in model._meta.concrete_fields if field.attname != "id"))
    ]


def _more(model: type) -> list[str]:
    return ["frequency", "starts_on"] if model is PlanChecklist else []


@hard_days
def test_dispenses_were_within_the_limits_of_their_day_or_say_why(demo_on: DemoOn, day: date) -> None:
    demo_on(day)
    known = facts_of.patient_facts(list(Patient.objects.values_list("pk", flat=True)))
    policy = facts_of.policy()
    ours = DispenseLine.objects.filter(
        billed_to__isnull=False, voided_at=None, exception_reason="", dispense__supplied_by="us"
    )
    outside = []
    for line in ours.select_related("dispense"):
        on, facts = line.dispense.dispensed_on, known[line.dispense.patient_id]
        before = replace(facts, deliveries=tuple(one for one in facts.deliveries if one.on < on))
        limit = limit_of(line.part_code, before, policy, as_of=on)
        too_early = limit.deliver_from is not None and on < limit.deliver_from
        too_many = limit.quantity is not None and line.quantity > limit.quantity
        if too_early or too_many:
            outside.append((line.dispense.patient.reference, line.part_code, on))
    assert outside == []


@pytest.mark.parametrize("day", [USUAL, AUTUMN, LEAP], ids=str)
def test_the_patient_of_the_pictures(demo_on: DemoOn, day: date) -> None:
    demo_on(day)
    patient = Patient.objects.get(reference="1047")
    assert (patient.name, patient.birth_date, patient.location.name) == (
        "Odalys Brandt",
        date(1961, 2, 4),
        "North room",
    )
    by_kind = {row.line.kind: row for row in lines(day) if row.reference == "1047"}
    states = {kind: row.status.state for kind, row in by_kind.items()}
    assert states == {
        Kind.MASK: State.DELIVER,
        Kind.CUSHION: State.OVERDUE,
        Kind.HEADGEAR: State.IN_SUPPLY,
        Kind.TUBING: State.IN_SUPPLY,
        Kind.FILTER_DISPOSABLE: State.IN_SUPPLY,
        Kind.CHAMBER: State.ASK,
    }
    assert by_kind[Kind.CUSHION].status.days_overdue == 9
    assert (by_kind[Kind.TUBING].line.spares, by_kind[Kind.FILTER_DISPOSABLE].line.spares) == (1, 2)
    assert {plan.payer.name for plan in patient.plan_lines.all() if plan.payer} == {"Payer B"}


@hard_days
def test_nothing_lies_ahead_and_life_stories_hold_together(demo_on: DemoOn, day: date) -> None:
    demo_on(day)
    assert not Dispense.objects.filter(Q(dispensed_on__gt=day) | Q(recorded_at__gt=midday(day))).exists()
    assert not Event.objects.filter(Q(on__gt=day) | Q(recorded_at__gt=midday(day))).exists()
    for patient in Patient.objects.prefetch_related("dispenses"):
        assert 28 <= (day - patient.birth_date).days / 365.25 <= 89
        first = min((one.dispensed_on for one in patient.dispenses.all()), default=patient.therapy_started_on)
        assert first is not None
        assert patient.therapy_started_on is not None
        assert abs((first - patient.therapy_started_on).days) <= 3
    assert not [one for one in Dispense.objects.all() if one.dispensed_on.weekday() > 4]


@pytest.mark.django_db
def test_a_database_with_other_patients_is_refused() -> None:
    make_patient()
    with pytest.raises(Refused) as refused:
        load(USUAL)
    assert refused.value.code == "not_empty"
    assert Patient.objects.count() == 1
    assert not Staff.objects.exists()


@pytest.mark.django_db
def test_the_command_loads_once_and_in_bulk(django_assert_max_num_queries: DjangoAssertNumQueries) -> None:
    """Statements, not seconds: a slow machine must not fail it."""
    said = StringIO()
    # Most of them: the manager's acts, the policy drafts, a packet and a notice, through the services.
    with django_assert_max_num_queries(670):
        call_command("load_demo", today=USUAL, stdout=said)
    call_command("load_demo", stdout=said)
    assert said.getvalue().splitlines() == [
        "The demo clinic is loaded: 60 invented patients.",
        "The demo clinic is here already; nothing was changed.",
    ]
    assert Patient.objects.count() == 60


@pytest.mark.django_db
def test_the_command_refuses_outside_the_demo(settings: Settings) -> None:
    settings.DEMO = False
    with pytest.raises(CommandError, match="DEMO=1"):
        call_command("load_demo", today=USUAL)
    assert not Patient.objects.exists()


@pytest.mark.django_db
def test_the_command_refuses_a_clinic_with_patients() -> None:
    make_patient()
    with pytest.raises(CommandError, match="empty database"):
        call_command("load_demo", today=USUAL)


def test_the_arithmetic_of_histories() -> None:
    for module in (dates, clinic):
        failed, tried = doctest.testmod(module)
        assert (failed, tried > 0) == (0, True)


def test_one_dispense_a_visit(demo_on: DemoOn) -> None:
    """What a patient was given on one day stands on one dispense, unless one was voided or others sent it."""
    demo_on(USUAL)
    days = Dispense.objects.filter(voided_at=None, supplied_by="us").order_by("patient", "dispensed_on")
    keys = list(days.values_list("patient", "dispensed_on"))
    assert not [pair for pair in pairwise(keys) if pair[0] == pair[1]]
