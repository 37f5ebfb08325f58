"""What staff do about overdue lines, one or many at once: ask again, assign, note, snooze; seen before,
undone after.

`preview` says who would be left out and why, and writes nothing; `act` leaves out the same lines by the same
words, from the lines and records as they are then. An act is undone as a whole: what it wrote is voided, and
messages that have not gone out are cancelled; what has gone out has gone out.
"""

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.models import Act, BulkAct, Channel, LineAct, Message, Patient, PlanLine, Staff
from resupply.queries import questions as question_queries
from resupply.queries.overdue import OverdueFilter, Snoozed, overdue_lines
from resupply.queries.overdue_known import looked_up
from resupply.rules.asking import bar
from resupply.rules.next_steps import Line
from resupply.services import asking, plans
from resupply.services.errors import Refused
from resupply.services.records import check_reason, stamp

MOST_LINES = 2_000
MOST_ASKED = 300
"""Lines of one act: a message each takes longer than a note."""
LONGEST_SNOOZE = timedelta(days=183)
UNDONE = "The act was undone as a whole."


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What is to be done; `assigned_to` None: nobody looks after the lines any more."""

    act: Act
    assigned_to: Staff | None = None
    until: date | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Preview:
    """The lines an act would be done to, and those left out with the code of the reason."""

    lines: list[PlanLine]
    left_out: list[tuple[PlanLine, str]]

    @property
    def reasons(self) -> dict[str, int]:
        """How many are left out, by code."""
        return dict(Counter(code for _, code in self.left_out))


def most_lines(act: Act) -> int:
    """Lines one act may be done to."""
    return MOST_ASKED if act is Act.ASK else MOST_LINES


def check(wish: Wish, *, today: date) -> Wish:
    """A wish that can be granted. Raises Refused: `reason_missing`, `reason_long`, `until`."""
    if wish.act is Act.SNOOZE and not (wish.until and today < wish.until <= today + LONGEST_SNOOZE):
        raise Refused("until", "Enter a day after today, within half a year.", "until")
    if wish.act in (Act.SNOOZE, Act.NOTE):
        check_reason(wish.note)
    return wish


def preview(lines: Sequence[PlanLine], wish: Wish, *, today: date) -> Preview:
    """Who an act would be done to. The lines are overdue ones, with their patients."""
    barred = _barred(lines, wish, today=today)
    return Preview(
        [line for line in lines if line.pk not in barred],
        [(line, barred[line.pk]) for line in lines if line.pk in barred],
    )


def act(
    lines: Sequence[PlanLine],
    wish: Wish,
    *,
    by: AbstractBaseUser,
    today: date,
    now: datetime,
    channels: Collection[str] = (Channel.MAIL,),
) -> BulkAct:
    """Do it to the lines that nothing stands against. Raises Refused as `check`; `nobody`, `too_many`."""
    check(wish, today=today)
    if len(lines) > most_lines(wish.act):
        raise Refused("too_many", f"Choose at most {most_lines(wish.act):,} lines at once.")
    with transaction.atomic():
        plans.lock_patients({line.patient_id for line in lines})
        still = _still_overdue(lines, today=today)
        seen = preview(still, wish, today=today)
        bulk = BulkAct.objects.create(
            act=wish.act,
            acted_at=now,
            acted_by_id=by.pk,
            assigned_to_id=wish.assigned_to.user_id if wish.assigned_to else None,
            until=wish.until if wish.act is Act.SNOOZE else None,
            note=wish.note.strip() if wish.act in (Act.SNOOZE, Act.NOTE) else "",
        )
        sent, refused = _ask(seen.lines, channels, by=by, now=now) if wish.act is Act.ASK else ({}, {})
        done = [line for line in seen.lines if line.patient_id not in refused]
        if not done:
            raise Refused("nobody", "Nothing can be done for any of these lines. The list says why.")
        LineAct.objects.bulk_create(
            LineAct(
                bulk=bulk, patient_id=line.patient_id, kind=line.kind, act=bulk.act,
                supply_ends_on=line.supply_ends_on, assigned_to_id=bulk.assigned_to_id, until=bulk.until,
                message=sent.get(line.patient_id), **stamp(by, now),
            )
            for line in done
        )  # fmt: skip
        late = Counter(refused[line.patient_id] for line in seen.lines if line.patient_id in refused)
        late["not_overdue"] = len(lines) - len(still)
        bulk.lines_done, bulk.left_out = len(done), dict(Counter(seen.reasons) + late)
        bulk.save(update_fields=["lines_done", "left_out"])
    return bulk


def undo(bulk: BulkAct, *, by: AbstractBaseUser, now: datetime) -> BulkAct:
    """Take an act back. Of messages, those that have not gone out yet; the others stand.

    Raises Refused: `undone` (already), `gone_out` (every message has gone out).
    """
    with transaction.atomic():
        bulk = BulkAct.objects.select_for_update(of=("self",)).get(pk=bulk.pk)
        if bulk.undone_at is not None:
            raise Refused("undone", "This has been undone already.")
        lines = list(bulk.lines.filter(voided_at=None).select_related("message__question"))
        gone = _take_back({line.message for line in lines if line.message}, by=by, now=now)
        back = [line for line in lines if line.message_id not in gone]
        if not back:
            raise Refused("gone_out", "Every message has gone out already. Nothing can be taken back.")
        LineAct.objects.filter(pk__in=[line.pk for line in back]).update(
            voided_at=now, voided_by_id=by.pk, void_reason=UNDONE
        )
        bulk.undone_at, bulk.undone_by_id, bulk.lines_undone = now, by.pk, len(back)
        bulk.save(update_fields=["undone_at", "undone_by", "lines_undone"])
    return bulk


def _still_overdue(lines: Sequence[PlanLine], *, today: date) -> list[PlanLine]:
    """The lines as they stand under the lock; without those that somebody has supplied or paused since."""
    late = overdue_lines(OverdueFilter(snoozed=Snoozed.TOO), today=today).select_related("patient")
    now = {line.pk: line for line in late.filter(pk__in=[line.pk for line in lines])}
    return [now[line.pk] for line in lines if line.pk in now]


def _barred(lines: Sequence[PlanLine], wish: Wish, *, today: date) -> Mapping[int, str]:
    """The lines left out, each with a code."""
    if wish.act is Act.ASSIGN and wish.assigned_to:
        here = set(wish.assigned_to.locations.values_list("pk", flat=True))
        return {line.pk: "elsewhere" for line in lines if here and line.location_id not in here}
    if wish.act is not Act.ASK:
        return {}
    looked = looked_up(lines, today=today)
    bars = {
        line.pk: bar(Line(line.ask_from, line.covered_from), looked[line.pk].known, today=today)
        for line in lines
    }
    found = {pk: code.value for pk, code in bars.items() if code is not None}
    asked = question_queries.askable({line.patient_id for line in lines if line.pk not in found}, day=today)
    served = {line.pk for bundled in asked.values() for line in bundled}
    return found | {
        line.pk: "not_bundled" for line in lines if line.pk not in found and line.pk not in served
    }


def _ask(
    lines: Iterable[PlanLine], channels: Collection[str], *, by: AbstractBaseUser, now: datetime
) -> tuple[dict[int, Message], dict[int, str]]:
    """Messages by patient, and the codes of what was refused."""
    people: dict[int, Patient] = {line.patient_id: line.patient for line in lines}
    sent: dict[int, Message] = {}
    refused: dict[int, str] = {}
    for pk, patient in people.items():
        try:
            sent[pk] = asking.ask_now(patient, by=by, now=now, channels=channels)
        except Refused as refusal:
            refused[pk] = refusal.code
    return sent, refused


def _take_back(messages: Iterable[Message], *, by: AbstractBaseUser, now: datetime) -> set[int | None]:
    """Keys of the messages that could not be taken back."""
    ordered = sorted(messages, key=lambda message: message.patient_id)
    return {message.pk for message in ordered if not asking.take_back(message, by=by, now=now)}
