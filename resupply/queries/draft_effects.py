"""What a draft of a rule that moves no plan would do, patient by patient, read for many at once."""

from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

from resupply.models import FollowUp, MatchRecord, Patient, PolicyDraft, PolicyKind
from resupply.queries.follow_ups import ASKED_FOR_AFTER, with_anchor
from resupply.queries.message_days import mailboxes
from resupply.queries.message_terms import schedule
from resupply.queries.standing_rules import both_on, plan_in, schedule_with, table_in
from resupply.rules.effects import HORIZON, Change
from resupply.rules.matching import Match, match
from resupply.rules.message_days import messages
from resupply.rules.other_effects import OFFERED, match_change, match_words, visits


@dataclass(frozen=True, slots=True)
class OtherEffect:
    """One patient before and after, as codes (`rules.other_effects`) and numbers; no `change`: the same."""

    patient_id: int
    change: Change | None
    before: list[str]
    after: list[str]
    counts: tuple[Counter[str], Counter[str]] = field(default_factory=lambda: (Counter(), Counter()))


Patients = Sequence[Patient]


def other_effects(
    draft: PolicyDraft, patients: Patients, *, today: date, as_of: date
) -> Iterator[OtherEffect]:
    """What the draft does to each of these patients on therapy whom it bears on, as of the day it begins."""
    return _BY_KIND[PolicyKind(draft.kind)](draft, patients, today, as_of)


def _matching(draft: PolicyDraft, patients: Patients, today: date, as_of: date) -> Iterator[OtherEffect]:
    both = both_on(draft, as_of)
    tables = table_in(both.before), table_in(both.after)
    rows = MatchRecord.objects.filter(patient__in=patients, voided_at=None)
    for record in rows.order_by("patient_id", "-pk").distinct("patient_id"):
        before, after = (match(record.answers, table) for table in tables)
        yield OtherEffect(
            record.patient_id,
            match_change(before, after),
            match_words(before),
            match_words(after),
            (_match_counts(before), _match_counts(after)),
        )


def _match_counts(found: Match) -> Counter[str]:
    if found.refer:
        return Counter(patients=1, referred=1)
    counts = Counter({"patients": 1, f"first:{found.order[0]}": 1})
    counts["excluded"] = any(one.standing not in OFFERED for one in found.styles)
    return counts


def _follow_ups(draft: PolicyDraft, patients: Patients, today: date, as_of: date) -> Iterator[OtherEffect]:
    both = both_on(draft, as_of)
    plans = plan_in(both.before), plan_in(both.after)
    made: dict[int, list[date]] = defaultdict(list)
    done = FollowUp.objects.filter(patient__in=patients, voided_at=None, reached=True, on__lte=as_of)
    for patient, on in done.values_list("patient", "on"):
        made[patient].append(on)
    rows = with_anchor().filter(pk__in=[patient.pk for patient in patients], anchor__lte=as_of)
    for pk, anchor in rows.order_by("pk").values_list("pk", "anchor"):
        before, after = (
            visits(anchor, plan, made[pk], as_of=as_of, forgotten=ASKED_FOR_AFTER) for plan in plans
        )
        if before or after:
            words = [one.words for one in before], [one.words for one in after]
            late = (sum(one.is_late for one in found) for found in (before, after))
            counts = tuple(
                Counter(patients=1, visits=len(found), late=number)
                for found, number in zip((before, after), late, strict=True)
            )
            change = None if words[0] == words[1] else Change.VISITS
            yield OtherEffect(pk, change, words[0], words[1], (counts[0], counts[1]))


def _messages(draft: PolicyDraft, patients: Patients, today: date, as_of: date) -> Iterator[OtherEffect]:
    terms = schedule(), schedule_with(draft)
    until = as_of + timedelta(days=HORIZON)
    for pk, box in mailboxes([patient.pk for patient in patients], day=today).items():
        before, after = (
            [one for one in messages(box, each, since=today, until=until) if one[0] >= as_of]
            for each in terms
        )
        words = [[f"{step}:{day}" for day, step in found] for found in (before, after)]
        change = None if before == after else Change.MESSAGES
        counts = _message_counts(before), _message_counts(after)
        yield OtherEffect(pk, change, words[0], words[1], counts)


def _message_counts(found: list[tuple[date, str]]) -> Counter[str]:
    return Counter(patients=1, messages=len(found)) + Counter(step for _, step in found)


_BY_KIND: dict[PolicyKind, Callable[[PolicyDraft, Patients, date, date], Iterator[OtherEffect]]] = {
    PolicyKind.MATCHING: _matching,
    PolicyKind.FOLLOW_UPS: _follow_ups,
    PolicyKind.MESSAGES: _messages,
}
