"""The outbox: messages are claimed, sent with no lock held, and marked one by one.

1. A worker *claims* a batch in one short transaction: rows nobody holds, skipping rows that another is
   taking. A claim raises the row's fence and leases it for `LEASE`.
2. It looks again at each: what is no longer needed is cancelled, and its reasons are free for a later
   message.
3. Right before a message goes out the worker *begins* it: a statement that succeeds only for the holder
   of the fence. A worker that was frozen past its lease stops here; one that is killed after this leaves
   a trace.
4. It sends, and *finishes*: again only with the fence. A worker that woke too late overwrites nothing.

Killed before 3, a message is simply claimed again when the lease is over. Killed between 3 and 4, nobody
knows whether it arrived: it is sent once more under the same Message-ID (`is_unsure`), and never a third
time. What could not be sent within its day is cancelled; the next day's sweep says what is true by then.
"""

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from time import monotonic

from django.db import connection, transaction
from django.db.models import F, Q, QuerySet

from resupply.models import Message, MessageOccasion, MessageReason, MessageState
from resupply.models.outbox import RAN_LATE
from resupply.queries.queued import Queued, look_again
from resupply.rules.purposes import Purpose
from resupply.rules.sending import MOST_ATTEMPTS, Answer, Carrier, Note, Outcome, after
from resupply.services import bounces, optouts, questions
from resupply.services.doors import welcome_token
from resupply.services.outbox_marks import Claim, begin, finish

__all__ = [
    *("BATCH", "BROKE_OFF", "Claim", "Delivered", "GAVE_UP", "LEASE", "NOT_NEEDED", "TIME", "TOO_LATE"),
    *("begin", "cancel", "claim", "deliver", "finish", "give_back", "settle"),
]

log = logging.getLogger(__name__)

LEASE = timedelta(seconds=120)
TIME = timedelta(seconds=5)
"""A call of `deliver` begins no message later than this. A worker that is told to end gives its tasks 8
seconds, so none is cut off amid a mail, which would cost a copy. A task has to end before its hard limit
too, and that before the lease."""
BATCH = 100

NOT_NEEDED = "No longer needed when its time came."
TOO_LATE = RAN_LATE
BROKE_OFF = "Broke off while being sent; it may have arrived."
GAVE_UP = "Given up after several attempts."


@dataclass(frozen=True, slots=True)
class Delivered:
    """How many messages went out, and whether the time was up with more left to do."""

    sent: int
    is_cut_short: bool


class _Moments:
    """Moments of one run: the door's `now`, moved on by a clock that does not jump."""

    def __init__(self, now: datetime) -> None:
        self._now, self._started = now, monotonic()

    def spent(self) -> timedelta:
        return timedelta(seconds=monotonic() - self._started)

    def now(self) -> datetime:
        return self._now + self.spent()


def deliver(carriers: Mapping[str, Callable[[], Carrier]], *, now: datetime) -> Delivered:
    """Send what is due, in batches with a carrier each, until nothing is left or the time is up.

    `carriers` by channel, each taking its turn; a message of a channel that has none waits. A carrier that
    cannot be reached is left alone until the next call.
    """
    moments = _Moments(now)
    sent, going = 0, list(carriers)
    while going and moments.spent() < TIME:
        settle(now=moments.now())
        for channel in tuple(going):
            claims = claim(now=moments.now(), channel=channel)
            goes_on = bool(claims)
            if claims:
                carrier = carriers[channel]()
                try:
                    went, goes_on = _send_batch(claims, carrier, moments)
                finally:
                    carrier.close()
                sent += went
            if not goes_on:
                going.remove(channel)
    return Delivered(sent, is_cut_short=bool(going))


def _send_batch(claims: list[Claim], carrier: Carrier, moments: _Moments) -> tuple[int, bool]:
    """Send one batch; return how many went out, and whether the carrier can be reached."""
    looked = look_again((claim.message_id for claim in claims), now=moments.now())
    notes = _with_links(looked, now=moments.now())
    sent = 0
    for place, held in enumerate(claims):
        # One goes out whatever the time: where looking alone took all of it, nothing ever would.
        if place and moments.spent() >= TIME:
            give_back(claims[place:], now=moments.now(), wait=timedelta(0))
            break
        note = notes.get(held.message_id)
        if note is None:
            cancel(held, now=moments.now())
            continue
        outcome = _send_one(held, note, looked[held.message_id], carrier, moments)
        sent += outcome is Outcome.ACCEPTED
        if outcome is Outcome.UNREACHABLE:
            wait = after(outcome, attempts=1, is_unsure=False).wait or timedelta(0)
            give_back(claims[place + 1 :], now=moments.now(), wait=wait)
            return sent, False
    return sent, True


def _send_one(held: Claim, note: Note, queued: Queued, carrier: Carrier, moments: _Moments) -> Outcome | None:
    """Send a message and mark it; None where nothing was sent."""
    letter, answer = None, None
    try:
        note = _with_welcome(note, queued, held, moments)
        letter = carrier.compose(note)
    except Exception as error:  # a fault of ours: it must not keep the rest of the batch from going out
        answer = Answer(Outcome.LATER, type(error).__name__)
    if not begin(held, now=moments.now()):
        log.warning("message %s: the lease was over before it was sent", note.key)
        return None
    if letter is not None:
        answer = carrier.send(letter)
    assert answer is not None  # noqa: S101 - for the type checker
    verdict = after(answer.outcome, attempts=held.attempts, is_unsure=held.is_unsure)
    kept = replace(letter, text=_without(letter.text, note), stop_url="") if letter is not None else None
    if finish(held, verdict, kept, answer, now=moments.now()):
        if queued.fallen:
            _free(MessageReason.objects.filter(pk__in=queued.fallen))
        if answer.outcome is Outcome.REFUSED:
            bounces.note_bad_address(held.message_id, answer.detail, now=moments.now())
    log.info("message %s: %s %s", note.key, answer.outcome.value, answer.detail)
    return answer.outcome


def _with_links(looked: Mapping[int, Queued], *, now: datetime) -> dict[int, Note]:
    """The notes that still are to be sent, with links of their own: made now for the whole batch, and stored
    as hashes alone, before the first one goes out.
    """
    notes = {pk: queued.note for pk, queued in looked.items() if queued.note is not None}
    asked = {pk: looked[pk].question_id for pk in notes}
    with transaction.atomic():
        tokens = questions.make_links({pk: to for pk, to in asked.items() if to is not None}, now=now)
        stops = optouts.make_links([pk for pk in notes if looked[pk].stops_by_link], now=now)
    return {
        pk: replace(note, token=tokens.get(pk, ""), stop_token=stops.get(pk, ""))
        for pk, note in notes.items()
    }


def _with_welcome(note: Note, queued: Queued, held: Claim, moments: _Moments) -> Note:
    """A patient's first message carries the link of the patient's own page."""
    if Purpose.WELCOME not in (note.purpose, *note.also) or not queued.stops_by_link:
        return note
    return replace(note, page_token=welcome_token(held.message_id, now=moments.now()))


def _without(text: str, note: Note) -> str:
    """What is kept of a text: not the secrets of its links, which open what they lead to to anybody."""
    for secret in note.secrets:
        text = text.replace(secret, "[secret]")
    return text


# --- the steps, each one short transaction ------------------------------------------------------------------


def settle(*, now: datetime) -> int:
    """Close what cannot be sent any more: its day is over, or its attempts are used up. Return how many."""
    unheld = _unheld(now).filter(not_before__lte=now)
    in_doubt = Q(state=MessageState.SENDING) | Q(is_unsure=True)
    over = Q(expires_at__lte=now)
    twice = Q(state=MessageState.SENDING, is_unsure=True)
    closed = {"state": MessageState.FAILED, "finished_at": now}
    count = unheld.filter(twice | (in_doubt & over)).update(**closed, last_error=BROKE_OFF, is_unsure=True)
    count += unheld.filter(attempts__gte=MOST_ATTEMPTS).update(**closed, last_error=GAVE_UP)
    with transaction.atomic():
        late = list(
            _unheld(now).filter(over).select_for_update(skip_locked=True).values_list("pk", flat=True)
        )
        _free(MessageReason.objects.filter(message__in=late))
        MessageOccasion.objects.filter(message__in=late, stands=True).update(stands=False)
        Message.objects.filter(pk__in=late).update(
            state=MessageState.CANCELLED, finished_at=now, last_error=TOO_LATE
        )
    return count + len(late)


def claim(*, now: datetime, batch: int = BATCH, channel: str | None = None) -> list[Claim]:
    """Take up to `batch` messages (of one channel) whose time has come and that nobody holds."""
    ours = {} if channel is None else {"channel": channel}
    with transaction.atomic():
        rows = list(
            _unheld(now)
            .filter(not_before__lte=now, expires_at__gt=now, **ours)
            .order_by("not_before", "id")
            .select_for_update(skip_locked=True)
            .only("state", "fence", "attempts", "is_unsure")[:batch]
        )
        broken = [row.pk for row in rows if row.state == MessageState.SENDING]
        Message.objects.filter(pk__in=broken).update(is_unsure=True, last_error=BROKE_OFF)
        Message.objects.filter(pk__in=[row.pk for row in rows]).update(
            state=MessageState.WAITING,
            fence=F("fence") + 1,
            attempts=F("attempts") + 1,
            leased_until=now + LEASE,
        )
    return [
        Claim(row.pk, row.fence + 1, row.attempts + 1, row.is_unsure or row.state == MessageState.SENDING)
        for row in rows
    ]


def cancel(held: Claim, *, now: datetime) -> None:
    """Close a message that is no longer needed. Its reasons may be written about again, unless it may have
    arrived."""
    with transaction.atomic():
        closed = _held(held).update(
            state=MessageState.CANCELLED, finished_at=now, leased_until=None, last_error=NOT_NEEDED
        )
        if closed and not held.is_unsure:
            reasons = MessageReason.objects.filter(message=held.message_id)
            _free(reasons.filter(message__question__closed_by=None))  # staff took it back: not asked tomorrow
            MessageOccasion.objects.filter(message=held.message_id, stands=True).update(stands=False)


_GIVEN_BACK = """
    UPDATE resupply_message SET state = 'waiting', attempts = given.attempts - 1, leased_until = NULL,
        not_before = %s
    FROM unnest(%s::bigint[], %s::bigint[], %s::int[]) AS given (message, fence, attempts)
    WHERE id = given.message AND resupply_message.fence = given.fence AND state IN ('waiting', 'sending')"""


def give_back(claims: Sequence[Claim], *, now: datetime, wait: timedelta) -> None:
    """Let go of messages that were not tried, for others to take after `wait`; no attempt is counted."""
    columns = ([getattr(held, name) for held in claims] for name in ("message_id", "fence", "attempts"))
    with connection.cursor() as cursor:
        cursor.execute(_GIVEN_BACK, [now + wait, *columns])


def _unheld(now: datetime) -> QuerySet[Message]:
    """Messages not finished and not under a lease."""
    return Message.objects.filter(
        Q(leased_until=None) | Q(leased_until__lte=now),
        state__in=[MessageState.WAITING, MessageState.SENDING],
    )


def _held(held: Claim) -> QuerySet[Message]:
    """The claimed row, if the claim is still the newest and the message not finished."""
    return Message.objects.filter(
        pk=held.message_id,
        fence=held.fence,
        state__in=[MessageState.WAITING, MessageState.SENDING],
    )


def _free(reasons: QuerySet[MessageReason]) -> None:
    """Let a later message carry these reasons."""
    reasons.filter(stands=True).update(stands=False)
