"""Recall notices: who is written to and who is called, contacts, and when a notice may be closed."""

from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import pytest

from resupply.delivery.mail import MailCarrier
from resupply.delivery.texts import TextCarrier
from resupply.delivery.texts.providers import ConsoleProvider
from resupply.models import Consent, Message, MessageTermsVersion, Patient, Recall, RecallContact
from resupply.queries import recall_reach as reach
from resupply.queries.queued import look_again
from resupply.queries.recall_reach import Show
from resupply.rules.recall_notices import Reach, state_of, to_call
from resupply.services import outbox, recall_notices, recalls
from resupply.services.errors import Refused
from tests.builders import (
    NOW,
    TODAY,
    make_consent,
    make_dispense,
    make_location,
    make_patient,
    make_recall,
    make_user,
)

pytestmark = pytest.mark.django_db

BY: dict[str, Any] = {"by": None, "now": NOW}
DAY = timedelta(days=1)


def given(
    name: str, *, mail: bool = True, lot: str = "R-1", on: date = TODAY - 9 * DAY, **over: Any
) -> Patient:
    """A patient who was given a part of a lot; with `mail`, one who agreed to e-mail."""
    values = {"given_name": name, "email": f"{name.lower()}@patients.example"} | over
    person = make_patient(time_zone="America/Denver", **values)
    make_dispense(person, on=on, lines=[{"lot": lot}])
    if mail:
        Consent.objects.create(patient=person, channel="mail", granted=True, given_on=TODAY, how="desk")
    return person


def states(recall: Recall) -> dict[str, str]:
    return {person.given_name: person.reach for person in reach.people(recall)}


def code(refused: pytest.ExceptionInfo[Refused]) -> str:
    return refused.value.code


def test_everyone_who_agreed_is_written_to_once_and_the_rest_are_called() -> None:
    place = make_location(phone="+1 303 555 0100")
    given("Ana", location=place)
    given("Ben", mail=False)
    given("Cleo", lot="R-2")
    recall = make_recall()
    notice = recall_notices.open_notice(recall, **BY)
    assert states(recall) == {"Ana": "queued", "Ben": "open"}
    message = Message.objects.get()
    assert (message.purpose, message.channel, message.recall) == ("recall", "mail", recall)
    assert recall_notices.queue_messages(notice, now=NOW) == 0
    assert recall_notices.queue_open(now=NOW + DAY) == 0
    note = look_again([message.pk], now=message.not_before)[message.pk].note
    assert note is not None
    assert (note.purpose, note.phone, note.address) == ("recall", "+1 303 555 0100", "ana@patients.example")
    Message.objects.update(state="sent", finished_at=NOW)
    assert states(recall) == {"Ana": "written", "Ben": "open"}
    people = reach.people(recall)
    assert [p.given_name for p in reach.shown(people, Show.CALL, now=NOW)] == ["Ben"]
    later = NOW + 3 * DAY
    assert {p.given_name for p in reach.shown(people, Show.CALL, now=later)} == {"Ana", "Ben"}


def test_a_message_goes_out_beside_one_of_the_day_and_names_no_part(mailoutbox: list[Any]) -> None:
    """The one exemption: a safety notice does not wait because a reminder was sent that day."""
    person = given("Ana", location=make_location(phone="+1 303 555 0100"))
    window = {"created_at": NOW, "not_before": NOW, "expires_at": NOW + DAY, "day": TODAY}
    Message.objects.create(patient=person, channel="mail", purpose="refill", state="sent", **window)
    recall_notices.open_notice(make_recall(title="Recall of cushions"), **BY)
    outbox.deliver({"mail": MailCarrier}, now=NOW + timedelta(hours=2))
    sent = Message.objects.get(purpose="recall")
    assert (sent.state, sent.address) == ("sent", "ana@patients.example")
    (mail,) = mailoutbox
    assert "There is a safety notice about something we gave you." in mail.body
    assert "Please call us at +1 303 555 0100" in mail.body
    assert "cushion" not in f"{mail.subject} {mail.body} {mail.alternatives}".lower()


def test_who_agreed_to_texts_alone_is_sent_one_that_names_no_part() -> None:
    ana = given("Ana", mail=False, phone="303 555 0142", location=make_location(phone="+1 303 555 0100"))
    given("Ben", phone="303 555 0143")
    for name in ("Cleo", "Dag"):
        given(name, mail=False, phone="303 555 0144")
    for person in Patient.objects.exclude(given_name="Dag"):
        Consent.objects.create(patient=person, channel="text", granted=True, given_on=TODAY, how="desk")
    cleo = Patient.objects.get(given_name="Cleo")
    recall = make_recall(title="Recall of cushions")
    notice = recall_notices.open_notice(recall, **BY)
    assert set(states(recall).items()) >= {("Ben", "queued"), ("Ana", "open")}, "no carrier of texts"
    assert recall_notices.queue_messages(notice, now=NOW, channels=("mail", "text")) == 2
    assert dict(Message.objects.values_list("patient__given_name", "channel")) == {
        "Ana": "text", "Ben": "mail", "Cleo": "text",
    }  # fmt: skip
    Consent.objects.create(patient=cleo, channel="text", granted=False, given_on=TODAY, how="asked")
    looked = look_again(Message.objects.values_list("pk", flat=True), now=NOW + timedelta(hours=2))
    notes = [queued.note for queued in looked.values() if queued.note is not None]
    assert {note.address for note in notes} == {"ben@patients.example", ana.phone}
    text = TextCarrier(ConsoleProvider()).compose(next(note for note in notes if note.address == ana.phone))
    assert "There is a safety notice about something we gave you. Please call us at +1 303" in text.text
    assert "cushion" not in text.text


def test_a_message_that_failed_leads_to_a_call_and_one_that_ran_late_is_queued_again() -> None:
    given("Ana")
    recall = make_recall()
    recall_notices.open_notice(recall, **BY)
    for gone in ({"state": "failed"}, {"state": "sent", "finished_at": NOW, "bounced_at": NOW}):
        Message.objects.update(**gone)
        assert recall_notices.queue_open(now=NOW + DAY) == 0
        assert states(recall) == {"Ana": "open"}
    people = reach.people(recall)
    assert [p.given_name for p in reach.shown(people, Show.CALL, now=NOW)] == ["Ana"]
    Message.objects.update(state="cancelled", bounced_at=None)
    assert recall_notices.queue_open(now=NOW + DAY) == 1


def test_where_mail_failed_a_text_may_still_reach() -> None:
    person = given("Ana")
    make_consent(person, channel="text")
    Patient.objects.filter(pk=person.pk).update(phone="+1 303 555 0142")
    recall = make_recall()
    recall_notices.open_notice(recall, **BY)
    Message.objects.update(state="failed")
    assert recall_notices.queue_open(now=NOW + DAY) == 0
    assert recall_notices.queue_open(now=NOW + DAY, channels=("mail", "text")) == 1
    assert list(Message.objects.order_by("pk").values_list("channel", flat=True)) == ["mail", "text"]
    Message.objects.update(state="failed")
    assert recall_notices.queue_open(now=NOW + DAY, channels=("mail", "text")) == 0


def test_a_message_keeps_the_hours_of_the_clinic() -> None:
    """17:00 to 20:00 in Denver, at UTC-6 in March: opened at 15:00 UTC it waits until 23:00."""
    MessageTermsVersion.objects.create(
        effective_from=TODAY - DAY, opens=time(17), closes=time(20), reason="as agreed", recorded_at=NOW
    )
    given("Ana")
    recall_notices.open_notice(make_recall(), **BY)
    message = Message.objects.get()
    assert message.not_before == datetime(TODAY.year, TODAY.month, TODAY.day, 23, tzinfo=UTC)
    for at, goes in ((message.not_before - timedelta(minutes=1), False), (message.not_before, True)):
        assert (look_again([message.pk], now=at)[message.pk].note is not None) is goes


@pytest.mark.parametrize("what", ["settled", "closed", "no consent", "died", "voided notice", "night"])
def test_what_is_queued_is_looked_at_again(what: str) -> None:
    person = given("Ana")
    recall = make_recall()
    notice = recall_notices.open_notice(recall, **BY)
    message, at = Message.objects.get(), NOW + timedelta(hours=2)
    if what == "settled":
        recall_notices.record_contact(recall, person, outcome="reached", channel="phone", on=TODAY, **BY)
    elif what == "closed":
        recall_notices.record_contact(recall, person, outcome="written_off", note="moved", on=TODAY, **BY)
        recall_notices.close_notice(notice, note="", **BY)
    elif what == "no consent":
        Consent.objects.create(patient=person, channel="mail", granted=False, given_on=TODAY, how="asked")
    elif what == "died":
        Patient.objects.filter(pk=person.pk).update(status="died")
    elif what == "voided notice":
        type(notice).objects.filter(pk=notice.pk).update(voided_at=NOW, void_reason="a slip")
    else:
        at = NOW + timedelta(hours=14)
    assert look_again([message.pk], now=at)[message.pk].note is None


def test_it_closes_only_when_everybody_is_reached_or_written_off() -> None:
    ana, ben = given("Ana"), given("Ben", mail=False)
    recall = make_recall()
    notice = recall_notices.open_notice(recall, **BY)
    recall_notices.record_contact(recall, ana, outcome="no_answer", channel="phone", on=TODAY, **BY)
    returned = recall_notices.record_contact(
        recall, ana, outcome="returned", channel="in_person", on=TODAY, **BY
    )
    with pytest.raises(Refused) as refused:
        recall_notices.close_notice(notice, note="", **BY)
    assert (code(refused), refused.value.message[:32]) == ("not_reached", "1 of 2 people are not reached ye")
    with pytest.raises(Refused) as refused:
        recall_notices.record_contact(recall, ben, outcome="written_off", on=TODAY, **BY)
    assert code(refused) == "reason_missing"
    recall_notices.record_contact(
        recall, ben, outcome="written_off", note="letters came back", on=TODAY, **BY
    )
    assert states(recall) == {"Ana": "returned", "Ben": "written_off"}
    user = make_user()
    closed = recall_notices.close_notice(notice, note="all done", by=user, now=NOW)
    assert (closed.closed_by, closed.closed_note) == (user, "all done")
    with pytest.raises(Refused) as refused:
        recall_notices.void_contact(returned, reason="a slip", **BY)
    assert code(refused) == "not_open"
    with pytest.raises(Refused) as refused:
        recall_notices.open_again(closed, reason=" ", **BY)
    assert code(refused) == "reason_missing"
    again = recall_notices.open_again(closed, reason="one more was found", **BY)
    closed.refresh_from_db()
    assert (closed.void_reason, closed.closed_note, again.closed_at) == (
        "one more was found",
        "all done",
        None,
    )
    for notice in (closed, again):
        with pytest.raises(Refused) as refused:
            recall_notices.open_again(notice, reason="twice", **BY)
        assert code(refused) == "open_already"
    recall_notices.void_contact(returned, reason="a slip", **BY)
    assert states(recall)["Ana"] == "tried"


def test_the_notice_of_a_recall_that_was_voided_is_not_opened_again() -> None:
    given("Ana", email="")
    recall = make_recall()
    notice = recall_notices.open_notice(recall, **BY)
    recall_notices.record_contact(
        recall, Patient.objects.get(), outcome="reached", channel="phone", on=TODAY, **BY
    )
    closed = recall_notices.close_notice(notice, note="", **BY)
    recalls.void_recall(recall, reason="the notice was withdrawn", **BY)
    with pytest.raises(Refused) as refused:
        recall_notices.open_again(closed, reason="one more", **BY)
    assert code(refused) == "recall_void"


def test_only_who_was_given_the_part_is_recorded() -> None:
    ana, cleo = given("Ana"), given("Cleo", lot="R-2")
    recall = make_recall()
    with pytest.raises(Refused) as refused:
        recall_notices.record_contact(recall, ana, outcome="reached", channel="phone", on=TODAY, **BY)
    assert code(refused) == "not_open"
    recall_notices.open_notice(recall, **BY)
    for person, over, wanted in [
        (cleo, {}, "not_concerned"),
        (ana, {"outcome": "x"}, "outcome"),
        (ana, {"channel": ""}, "channel"),
        (ana, {"on": TODAY + DAY}, "future"),
        (ana, {"note": "x" * 501}, "too_long"),
    ]:
        values = {"outcome": "reached", "channel": "phone", "on": TODAY} | over
        with pytest.raises(Refused) as refused:
            recall_notices.record_contact(recall, person, **values, **BY)
        assert code(refused) == wanted
    assert not RecallContact.objects.exists()


def test_a_notice_is_opened_once_and_for_somebody() -> None:
    recall = make_recall()
    with pytest.raises(Refused) as refused:
        recall_notices.open_notice(recall, **BY)
    assert code(refused) == "nobody"
    given("Ana")
    recall_notices.open_notice(recall, **BY)
    with pytest.raises(Refused) as refused:
        recall_notices.open_notice(recall, **BY)
    assert code(refused) == "open_already"
    void = make_recall()
    recalls.void_recall(void, reason="a slip", **BY)
    with pytest.raises(Refused) as refused:
        recall_notices.open_notice(void, **BY)
    assert code(refused) == "recall_void"


def test_days_of_dispense_narrow_who_is_told() -> None:
    given("Ana", on=date(2026, 1, 31))
    given("Ben", on=date(2026, 2, 1))
    given("Cleo", on=date(2026, 2, 28))
    given("Dan", on=date(2026, 3, 1))
    recall = make_recall(lot="R-1", given_from=date(2026, 2, 1), given_until=date(2026, 2, 28))
    assert set(states(recall)) == {"Ben", "Cleo"}
    details = recalls.RecallDetails(
        title="x", issued_on=TODAY, source="y", lot="R-1", given_from=TODAY, given_until=TODAY - DAY
    )
    with pytest.raises(Refused) as refused:
        recalls.record_recall(details, by=None, today=TODAY, now=NOW)
    assert code(refused) == "days"


def test_states_in_sql_are_those_of_the_rule() -> None:
    recall = make_recall()
    cases: list[tuple[set[str], str]] = [
        (outcomes, message)
        for outcomes in (
            set(),
            {"no_answer"},
            {"left_word", "reached"},
            {"reached", "replaced"},
            {"written_off"},
        )
        for message in ("", "waiting", "sent", "sent lately", "failed")
    ]
    wanted = {}
    for number, (outcomes, state) in enumerate(cases):
        person = given(f"P{number}", mail=False)
        for outcome in outcomes:
            off = outcome == "written_off"
            RecallContact.objects.create(
                recall=recall, patient=person, outcome=outcome, on=TODAY, channel="" if off else "phone",
                note="moved" if off else "",
            )  # fmt: skip
        ago = 2 if state == "sent lately" else 3
        if state:
            Message.objects.create(
                patient=person, channel="mail", purpose="recall", recall=recall, day=TODAY,
                state=state.split()[0], created_at=NOW, not_before=NOW, expires_at=NOW + DAY,
                finished_at=NOW - ago * DAY,
            )  # fmt: skip
        days = ago if state.startswith("sent") else None
        told = state_of(outcomes, written_days_ago=days, is_queued=state == "waiting")
        calls = to_call(told, written_days_ago=days, is_queued=state == "waiting")
        wanted[person.given_name] = (told, calls)
    people = reach.people(recall)
    called = {person.given_name for person in reach.shown(people, Show.CALL, now=NOW)}
    assert {p.given_name: (Reach(p.reach), p.given_name in called) for p in people} == wanted
    progress = reach.progress(people)
    assert (progress.people, progress.settled) == (25, 15)


def test_rows_say_what_is_held_and_cost_no_more_for_many(django_assert_max_num_queries: Any) -> None:
    recall = make_recall()
    for number in range(6):
        given(f"P{number}")
    with django_assert_max_num_queries(14):
        rows, more = reach.page_of(recall, reach.people(recall), today=TODAY, page=1, size=5)
    assert ([row.holds for row in rows], more) == ([1] * 5, True)
