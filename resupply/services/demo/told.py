"""What each patient said whose refill is open today: one of every sort that the desk's lists know."""

from datetime import timedelta
from random import Random

from resupply.delivery.mail import MailCarrier
from resupply.models import (
    AnswerChannel,
    Channel,
    Condition,
    Consent,
    Contact,
    Handover,
    Message,
    MessageReason,
    MessageState,
    Outcome,
    Patient,
    PlanLine,
    Wish,
)
from resupply.rules.kinds import Kind
from resupply.rules.reminders import Refill, ReminderStep, step_reached
from resupply.rules.sending import Note
from resupply.services.demo.dates import weekday_by
from resupply.services.demo.said import Open, Said
from resupply.services.records import stamp
from resupply.services.reminders import PURPOSE, QUESTION

NO_SUCH_ADDRESS = "5.1.1"
"""What a mail server says of a mailbox it does not have (RFC 3463)."""


def _yes(said: Said, one: Open, dice: Random) -> None:
    """Said yes on the phone, and comes for the parts."""
    answer = said.answer(one.patient, said.today - timedelta(days=dice.randrange(3)), dice)
    for line in one.lines:
        said.item(answer, line.kind, line.part_code)


def _asked(said: Said, one: Open, dice: Random) -> None:
    """Was written to more than a week ago and has not answered."""
    _write_to(said, one, days=dice.randrange(8, 12), dice=dice)


def _questioned(said: Said, one: Open, dice: Random) -> None:
    """Was asked the other day, by a mail with a link, and has not answered yet."""
    _write_to(said, one, days=2, dice=dice, asks=True)


def _leaks(said: Said, one: Open, dice: Random) -> None:
    """Wants the part shipped, and says that the one in use leaks."""
    answer = said.answer(
        one.patient,
        said.today - timedelta(days=1),
        dice,
        handover=Handover.SHIP,
        channel=AnswerChannel.MAIL,
        needs_person=True,
    )
    for line in one.lines:
        if line.kind in (Kind.MASK, Kind.CUSHION):
            need, condition = "It leaks: hisses at the side", Condition.LEAKS
        else:
            need, condition = "Cracked, torn or broken", Condition.BROKEN
        said.item(answer, line.kind, line.part_code, need=need, condition=condition, left=0)


def _tried(said: Said, one: Open, dice: Random) -> None:
    """Has not answered the message, which came back in the end, nor the telephone."""
    before = len(said.messages)
    _write_to(said, one, days=dice.randrange(10, 14), dice=dice)
    for message in said.messages[before:]:
        message.bounced_at, message.bounce_detail = message.expires_at, NO_SUCH_ADDRESS
    _call(said, one, dice, Outcome.NO_ANSWER, "rang twice", days=2)


def _for_the_patient(said: Said, one: Open, dice: Random) -> None:
    """Somebody of the family answered, and has the parts shipped."""
    name = one.patient.representative_name or f"Ari {one.patient.family_name}"
    answer = said.answer(
        one.patient,
        said.today - timedelta(days=dice.randrange(1, 4)),
        dice,
        handover=Handover.SHIP,
        answered_by=name,
        relation=one.patient.representative_relation or "partner",
    )
    for line in one.lines:
        said.item(answer, line.kind, line.part_code, left=0)


def _note(said: Said, one: Open, dice: Random) -> None:
    """Wants nothing now, and says why."""
    answer = said.answer(
        one.patient,
        said.today - timedelta(days=3),
        dice,
        wish=Wish.NOT_NOW,
        note="Away until the end of next month, please ask again then.",
        needs_person=True,
    )
    for line in one.lines:
        said.item(answer, line.kind, line.part_code)


def _wrong_number(said: Said, one: Open, dice: Random) -> None:
    """The number on record is somebody else's."""
    _write_to(said, one, days=9, dice=dice)
    _call(said, one, dice, Outcome.WRONG_NUMBER, "", days=1)


def _stop(said: Said, one: Open, dice: Random) -> None:
    """Wants no more questions: from then on nothing is sent and nobody calls."""
    day = said.today - timedelta(days=1)
    answer = said.answer(
        one.patient,
        day,
        dice,
        wish=Wish.STOP,
        still_using=None,
        channel=AnswerChannel.PHONE,
        needs_person=True,
    )
    for line in one.lines:
        said.item(answer, line.kind, line.part_code)
    said.consents += [
        Consent(
            patient=one.patient,
            channel=channel,
            granted=False,
            given_on=day,
            how="said “stop asking” (by telephone)",
            **stamp(said.clinic.desk, answer.recorded_at),
        )
        for channel in (Channel.MAIL, Channel.TEXT, Channel.PHONE)
    ]


def _not_using(said: Said, one: Open, dice: Random) -> None:
    """Does not use the equipment any more."""
    answer = said.answer(
        one.patient,
        said.today - timedelta(days=2),
        dice,
        wish=Wish.NOT_NOW,
        still_using=False,
        note="Has slept without it since a cold.",
        needs_person=True,
    )
    for line in one.lines:
        said.item(answer, line.kind, line.part_code)


TOLD = (
    _yes, _asked, _leaks, _tried, _for_the_patient, _note, _asked, _not_using, _questioned, _stop,
    _wrong_number,
)  # fmt: skip
"""By place among the room's open refills; whoever comes after has not said anything, nor been written to."""


def _write_to(said: Said, one: Open, *, days: int, dice: Random, asks: bool = False) -> None:
    """A reminder that went out so many days ago, where the patient may be written to and was due then; where
    it `asks`, with a refill question, which is open still.
    """
    day = said.today - timedelta(days=days)
    due = [(line, step_reached(_refill(line), day=day)) for line in one.lines]
    reached = [(line, step) for line, step in due if step is not None]
    if not (one.may_mail and reached):
        return
    sent_at = said.at(day, dice)
    message = Message(
        patient=one.patient,
        channel=Channel.MAIL,
        purpose=QUESTION if asks else PURPOSE,
        day=day,
        state=MessageState.SENT,
        created_at=sent_at - timedelta(minutes=4),
        not_before=sent_at - timedelta(minutes=4),
        expires_at=sent_at + timedelta(days=1),
        finished_at=sent_at,
        attempts=1,
        address=one.patient.email,
    )
    if asks:
        message.question = said.question(one.patient, message.created_at, [line for line, _ in reached])
    _word(message, one.patient, reached[0][1], asks=asks)
    said.messages.append(message)
    said.reasons += [
        MessageReason(
            message=message,
            patient=one.patient,
            kind=line.kind,
            step=step.name,
            supply_ends_on=line.supply_ends_on,
        )
        for line, step in reached
    ]


def _word(message: Message, patient: Patient, step: ReminderStep, *, asks: bool) -> None:
    """Give a message the words that mail gives it; a link's secret is on no record."""
    letter = MailCarrier().compose(
        Note(
            key=str(message.public_id),
            address=patient.email,
            given_name=patient.given_name,
            language=patient.language,
            step=step.name,
            phone=patient.location.phone,
            token="[secret]" if asks else "",
        )
    )
    message.subject, message.body_text = letter.subject, letter.text


def _refill(line: PlanLine) -> Refill:
    return Refill(line.ask_from, line.refill_on, line.paused_from, line.paused_until)


def _call(said: Said, one: Open, dice: Random, outcome: Outcome, note: str, *, days: int) -> None:
    day = weekday_by(said.today - timedelta(days=days))
    said.contacts.append(
        Contact(
            patient=one.patient,
            on=day,
            outcome=outcome,
            note=note,
            again_on=day + timedelta(days=1) if outcome == Outcome.NO_ANSWER else None,
            **stamp(said.clinic.desk, said.at(day, dice)),
        )
    )
