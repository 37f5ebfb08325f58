"""Plans: refreshed inside the transaction of whatever changed, and rebuilt from the records to the same rows.

Every service that writes facts of patients first takes `lock_patients` and last calls `refresh_plans`, in one
transaction: two writers of one patient queue, and nobody ever reads a plan that its facts have left behind.
"""

from collections.abc import Collection, Iterator, Sequence
from datetime import datetime, timedelta
from itertools import islice

from django.db import connection, transaction

from resupply.models import Patient, PlanState
from resupply.queries import plan_digests
from resupply.services import plan_rows
from resupply.services.chunks import chunks
from resupply.services.records import local_day

FARTHEST_AHEAD = timedelta(hours=14)
"""No zone is further ahead of UTC (IANA time zone database: Pacific/Kiritimati)."""


_POLICY = 7_240_001
"""Key of the advisory lock that writers of policy hold alone and writers of patients share."""


def lock_policy() -> None:
    """Make every writer of patients wait for this transaction; take it before any other lock.

    A dispense under way may bring a patient into a policy's reach after the policy's writer looked who is
    concerned, and have read the policy before it changed: neither would refresh that plan.
    """
    _advisory_lock("pg_advisory_xact_lock")


def share_policy() -> None:
    """Make every writer of policy wait for this transaction: the policy stays as it is until it ends."""
    _advisory_lock("pg_advisory_xact_lock_shared")


def lock_patients(patient_ids: Collection[int]) -> None:
    """Make other writers of these patients wait for this transaction. In id order, so none deadlocks."""
    share_policy()
    list(
        Patient.objects.filter(pk__in=patient_ids)
        .order_by("pk")
        .select_for_update(no_key=True)
        .values_list("pk")
    )


def _advisory_lock(function: str) -> None:
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT {function}(%s)", [_POLICY])


def refresh_plans(patient_ids: Collection[int], *, now: datetime) -> int:
    """Work out these patients' plans anew and write what differs; their calendars become stale, and what was
    given or taken back settles which yes stands.

    Call it last in the transaction that changed facts. Returns the number of rows written.
    """
    written = _refresh(sorted(set(patient_ids)), now=now)
    mark_calendars_stale(patient_ids)  # also for what is shown but in no plan: language, cleaning day, zone
    return written


_STALE = """
    UPDATE resupply_subscription SET fresh_until = NULL WHERE patient_id = ANY(%s) AND revoked_at IS NULL"""


def mark_calendars_stale(patient_ids: Collection[int]) -> None:
    """What these patients' calendars store no longer counts; it is written anew ahead or when next fetched.

    Every live row is updated, stale ones too: the update has to wait for a rendering under way, which may
    have read the plan before this transaction changed it.
    """
    with connection.cursor() as cursor:
        cursor.execute(_STALE, [list(patient_ids)])


def refresh_expired(*, now: datetime, limit: int = 1000) -> int:
    """Refresh plans whose `valid_until` has come where the patient lives; returns the number of patients.

    Safe to run twice or by two at once: each refresh works from the records.
    """
    horizon = (now + FARTHEST_AHEAD).date()
    candidates = PlanState.objects.filter(valid_until__lte=horizon).select_related("patient")
    run_out = (
        state.patient_id
        for state in candidates.order_by("valid_until", "pk").iterator()
        if state.valid_until and state.valid_until <= local_day(now, state.patient.time_zone)
    )
    due = list(islice(run_out, limit))
    for some in chunks(due, size=BATCH):
        _refresh_batch(some, now=now)
    return len(due)


def refresh_if_run_out(patient: Patient, *, now: datetime) -> None:
    """Refresh a plan whose day has come before the sweep did, so that a page about one patient is right.

    Fetch the patient with `select_related("plan_state")`, and this costs nothing where the plan holds.
    """
    state: PlanState | None = getattr(patient, "plan_state", None)
    if state is not None and state.valid_until and state.valid_until <= local_day(now, patient.time_zone):
        _refresh_batch([patient.pk], now=now)


BATCH = 500
"""Patients per transaction of a rebuild: enough to be fast, few enough that an edit never waits long."""
LOOKED_AT = 5000
"""Patients per look for what changed, which locks nobody."""


def rebuild_plans(
    *, now: datetime, after: int = 0, up_to: int | None = None, doubting: bool = False
) -> Iterator[tuple[int, int]]:
    """Make every plan what the records say, in committed batches by patient id, of ids above `after` and at
    most `up_to` (None: to the last).

    Where neither facts, rules nor the plan changed since it was last rebuilt, it is left alone, which takes
    a small part of the time (`queries.plan_digests`); `doubting` works out those too.

    Yields (last patient id done, rows written) per batch, so that a stopped rebuild can go on from there.
    """
    patients = Patient.objects.order_by("pk").values_list("pk", flat=True)
    if up_to is not None:
        patients = patients.filter(pk__lte=up_to)
    while seen := list(patients.filter(pk__gt=after)[:LOOKED_AT]):
        rules = plan_digests.rules_digest()
        wrong = _to_work_out(seen[0], seen[-1], rules=rules, now=now, doubting=doubting)
        after = seen[-1]
        for batch in chunks(wrong, size=BATCH):
            with transaction.atomic():
                written = _refresh_batch([facts.patient_id for facts in batch], now=now)
                plan_digests.keep(batch, rules=rules)
            yield batch[-1].patient_id, written
        if not wrong or wrong[-1].patient_id != after:
            yield after, 0


def _to_work_out(
    first: int, last: int, *, rules: int, now: datetime, doubting: bool
) -> list[plan_digests.Facts]:
    """Whose plan is not what the records say, or may not be."""
    horizon = (now + FARTHEST_AHEAD).date()
    return [
        facts
        for facts in plan_digests.look(first, last, rules=rules, horizon=horizon, doubting=doubting)
        if doubting
        or facts.changed
        or (facts.valid_until and facts.valid_until <= local_day(now, facts.time_zone))
    ]


def _refresh_batch(patient_ids: Sequence[int], *, now: datetime) -> int:
    with transaction.atomic():
        lock_patients(patient_ids)
        written = _refresh(patient_ids, now=now)
        if written:
            mark_calendars_stale(patient_ids)
    return written


def _refresh(patient_ids: Sequence[int], *, now: datetime) -> int:
    return plan_rows.refresh(patient_ids, today_of=lambda patient: local_day(now, patient.time_zone))
