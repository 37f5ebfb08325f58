"""Drafts of rules that move no plan: a preview says what the rooms show once it is applied, for any draft."""

import os
from datetime import date, timedelta
from typing import Any

import pytest
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from resupply.models import (
    DraftState,
    FollowUpPlanVersion,
    MatchingVersion,
    MessageTermsVersion,
    Patient,
    PlanEdition,
    PolicyDraft,
    PolicyEffect,
    PolicyKind,
    PolicyTotal,
)
from resupply.queries import follow_ups as follow_ups_of
from resupply.queries.matching import latest_match, table_on
from resupply.queries.message_days import mailboxes
from resupply.queries.message_terms import schedule
from resupply.rules.follow_ups import FollowUpState
from resupply.rules.matching import match
from resupply.rules.matching_table import shipped, shipped_text
from resupply.rules.message_days import messages
from resupply.rules.other_effects import match_words
from resupply.services import policy_changes
from resupply.services.errors import Refused
from resupply.services.policy_changes import Wanted
from tests.builders import NOW, TODAY, make_follow_up, make_match
from tests.cast import Cast
from tests.services.sending import make_due_patient, make_plan_line
from tests.services.test_policy_changes import refused

pytestmark = pytest.mark.django_db
EXAMPLES = 300 if os.environ.get("HYPOTHESIS_PROFILE") == "deep" else 8
HORIZON = timedelta(days=90)


def world() -> list[Patient]:
    """Three patients on therapy who are written to, with a match each, one with a follow-up made."""
    people = [make_due_patient(line={"ends": ends}) for ends in (40, 3, -20)]
    make_plan_line(people[0], kind="tubing", part_code="A7037", ends=60)
    told = ({"congestion": ["chronic"]}, {"pressure": ["15"], "mouth": ["often"]}, {})
    known = {question.id for question in shipped().questions}
    for days, (patient, answers) in enumerate(zip(people, told, strict=True)):
        make_match(patient, answers={name: said for name, said in answers.items() if name in known})
        patient.therapy_started_on = TODAY - timedelta(days=days * 30 + 4)
        patient.save()
    make_follow_up(people[1], on=TODAY - timedelta(days=6))
    return people


@st.composite
def drafts(draw: st.DrawFn) -> Wanted:
    """Any table made of some of the shipped rules, any plan, any terms, begun or to begin."""
    kind = draw(st.sampled_from([PolicyKind.MATCHING, PolicyKind.FOLLOW_UPS, PolicyKind.MESSAGES]))
    if kind == PolicyKind.MATCHING:
        head, *rules = shipped_text().split("\n[[rule]]\n")
        kept = [rule for rule in rules if draw(st.booleans())]
        values: dict[str, Any] = {"table": "\n[[rule]]\n".join([head, *kept])}
    elif kind == PolicyKind.FOLLOW_UPS:
        days = draw(st.lists(st.tuples(st.integers(0, 150), st.integers(0, 30)), max_size=4))
        values = {"steps": [_step(n, first, first + more) for n, (first, more) in enumerate(days)]}
    else:
        opens = draw(st.integers(8, 19))
        values = {"opens": f"{opens:02}:00", "closes": f"{draw(st.integers(opens + 1, 21)):02}:00"}
        values |= {"per_week": draw(st.integers(1, 3)), "second_ask_days": draw(st.integers(1, 28))}
        values["link_ahead_days"] = draw(st.integers(1, 60))
    least = 0 if kind == PolicyKind.MESSAGES else -20
    begins = TODAY + timedelta(days=draw(st.integers(least, 40)))
    return Wanted(kind=kind, values=values, effective_from=begins, reason="as decided", source="a guideline")


def _step(number: int, first: int, last: int) -> dict[str, Any]:
    return {"step": f"step_{number}", "name": f"Step {number}", "from_day": first, "to_day": last}


def shown(kind: str, patient: Patient, day: date) -> list[str]:
    """What the rooms would show of one patient on a day, by the rules on record."""
    if kind == PolicyKind.MATCHING:
        record = latest_match(patient)
        assert record is not None
        return match_words(match(record.answers, table_on(day).table))
    if kind == PolicyKind.FOLLOW_UPS:
        steps = [(one.due, one.state) for one in follow_ups_of.steps_of(patient, today=day)]
        return [
            f"{due.step}:{due.first}:{due.last}"
            for due, state in steps
            if state != FollowUpState.DONE
            and due.first < day + HORIZON
            and (state != FollowUpState.LATE or due.last + follow_ups_of.ASKED_FOR_AFTER >= day)
        ]
    box = mailboxes([patient.pk], day=TODAY)[patient.pk]
    found = messages(box, schedule(), since=TODAY, until=day + HORIZON)
    return [f"{step}:{on}" for on, step in found if on >= day]


@given(wanted=drafts(), voids=st.booleans())
@settings(max_examples=EXAMPLES, deadline=None, suppress_health_check=list(HealthCheck))
def test_a_preview_equals_what_applying_then_shows(wanted: Wanted, voids: bool) -> None:
    """Of a new version, and of one that is voided: every row, and every patient who has none."""
    with transaction.atomic():
        people, day = world(), max(wanted.effective_from, TODAY)
        draft = policy_changes.make(wanted, by=None, now=NOW)
        if voids:
            policy_changes.apply_now(draft, by=None, now=NOW)
            draft.refresh_from_db()
            draft = policy_changes.make_void(
                wanted.kind, draft.version_id or 0, reason="not so", by=None, now=NOW
            )
        policy_changes.ask_preview(draft, by=None, now=NOW)
        policy_changes.preview(draft.pk)
        before = {one.pk: shown(wanted.kind, one, day) for one in people}
        policy_changes.start(draft, by=None, now=NOW)
        after = {one.pk: shown(wanted.kind, one, day) for one in people}
        moved = {pk: (before[pk], after[pk]) for pk in before if before[pk] != after[pk]}
        rows = PolicyEffect.objects.filter(draft=draft)
        assert {row.patient_id: (row.lists_before, row.lists_after) for row in rows} == moved
        totals = PolicyTotal.objects.filter(draft=draft)
        assert sum(total.changes.get("moved", 0) for total in totals) == len(moved)
        for name, seen in (("visits", PolicyKind.FOLLOW_UPS), ("messages", PolicyKind.MESSAGES)):
            if wanted.kind == seen:
                assert sum(total.before.get(name, 0) for total in totals) == sum(map(len, before.values()))
                assert sum(total.after.get(name, 0) for total in totals) == sum(map(len, after.values()))
        transaction.set_rollback(True)


def test_what_moves_no_plan_is_applied_at_once_and_only_as_previewed(cast: Cast) -> None:
    plan = {"steps": [_step(1, 3, 9)]}
    wanted = Wanted(kind=PolicyKind.FOLLOW_UPS, values=plan, effective_from=TODAY, reason="sooner")
    first, second = (policy_changes.make(wanted, by=cast.manager.user, now=NOW) for _ in range(2))
    for draft in (first, second):
        policy_changes.ask_preview(draft, by=None, now=NOW)
        policy_changes.preview(draft.pk)
    policy_changes.start(first, by=cast.manager.user, now=NOW)
    first.refresh_from_db()
    version = FollowUpPlanVersion.objects.get()
    assert (first.state, first.version_id) == (DraftState.APPLIED, version.pk)
    assert (version.recorded_by, version.reason) == (cast.manager.user, "sooner")
    assert policy_changes.work_on(first.pk, now=lambda: NOW)
    assert refused(lambda: policy_changes.start(second, by=None, now=NOW)) == "outdated"
    assert PlanEdition.objects.get().number == 0


def test_a_draft_that_no_version_could_say_is_refused() -> None:
    terms = {"opens": "09:00", "closes": "20:00", "per_week": 2, "second_ask_days": 5, "link_ahead_days": 14}
    for kind, values, code in (
        (PolicyKind.MATCHING, {"table": "[[style]]\n"}, "table"),
        (PolicyKind.FOLLOW_UPS, {"steps": [_step(1, 9, 3)]}, "steps"),
        (PolicyKind.MESSAGES, terms | {"opens": "07:00"}, "hours"),
        (PolicyKind.MESSAGES, terms | {"per_week": 4}, "per_week"),
    ):
        wanted = Wanted(kind=kind, values=values, effective_from=TODAY, reason="x")
        assert refused(lambda wanted=wanted: policy_changes.make(wanted, by=None, now=NOW)) == code
    late = Wanted(
        kind=PolicyKind.MESSAGES, values=terms, effective_from=TODAY - timedelta(days=3), reason="x"
    )
    assert refused(lambda: policy_changes.make(late, by=None, now=NOW)) == "past"
    for model in (PolicyDraft, MatchingVersion, MessageTermsVersion):
        assert not model._default_manager.exists()
    with pytest.raises(Refused, match="begin today"):
        policy_changes.make(late, by=None, now=NOW)
