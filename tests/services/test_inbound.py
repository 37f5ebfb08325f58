"""Texts that come in: stops hold at once, help is answered, a start gives back what a stop took, the rest is
for a person.
"""

from datetime import timedelta

import pytest

from resupply.models import Channel, Consent, InboundText, Message, MessageState, Patient, PatientStatus
from resupply.queries.inbound import others, waiting
from resupply.queries.queued import look_again
from resupply.rules.replies import REPLIES
from resupply.services import inbound, outbox
from resupply.services.errors import Refused
from resupply.services.inbound import REPLIES_A_DAY, STARTED_BY_TEXT, STOPPED_BY_TEXT
from tests.builders import NOW, make_consent, make_location, make_patient, make_question, make_user
from tests.services.sending import KeepingCarrier
from tests.services.texting import text_in

pytestmark = pytest.mark.django_db
NUMBER = "+13035550142"
MINUTE = timedelta(minutes=1)
NIGHT = NOW.replace(hour=9)  # three in the morning in Denver


@pytest.fixture(autouse=True)
def region(settings: pytest.FixtureRequest) -> None:
    settings.PHONE_REGION = "US"  # type: ignore[attr-defined]


@pytest.fixture
def patient() -> Patient:
    """A patient who agreed to texts to (303) 555-0142."""
    found = make_patient(phone="(303) 555-0142", language="en")
    make_consent(found, channel="text")
    return found


def agrees(patient: Patient) -> bool:
    newest = Consent.objects.filter(patient=patient, channel=Channel.TEXT, voided_at=None).order_by("-pk")[0]
    return newest.granted


def replies() -> list[str]:
    return list(Message.objects.filter(purpose__in=REPLIES).order_by("pk").values_list("purpose", flat=True))


# --- stop ---------------------------------------------------------------------------------------------------


def test_a_stop_holds_at_once_for_all_texts_with_one_confirmation(patient: Patient) -> None:
    came = text_in("Stop")
    assert not agrees(patient)
    newest = patient.consents.order_by("-pk")[0]
    assert (newest.purpose, newest.how, newest.recorded_by) == ("", STOPPED_BY_TEXT, None)
    assert (came.text.meaning, came.text.needs_person) == ("stop", False)
    assert replies() == ["stopped"]
    text_in("STOP")
    assert replies() == ["stopped"]
    assert patient.consents.filter(granted=False).count() == 1


def test_a_stop_in_a_sentence_holds_and_a_person_reads_it(patient: Patient) -> None:
    came = text_in("please stop texting me, I moved")
    assert not agrees(patient)
    assert came.text.needs_person
    assert list(waiting([])) == [came.text]


def test_a_stop_cancels_what_waits(patient: Patient) -> None:
    waits = Message.objects.create(
        patient=patient, channel="text", purpose="refill", day=NOW.date(), created_at=NOW, not_before=NOW,
        expires_at=NOW + timedelta(hours=5),
    )  # fmt: skip
    text_in("stop")
    waits.refresh_from_db()
    assert waits.state == MessageState.CANCELLED


def test_a_stop_is_for_everybody_with_that_number_and_for_nobody_else(patient: Patient) -> None:
    wife = make_patient(phone="+1 303 555 0142")
    make_consent(wife, channel="text")
    other = make_patient(phone="720 555 0142")  # the same last seven digits
    make_consent(other, channel="text")
    came = text_in("stop")
    assert set(came.text.patients.all()) == {patient, wife}
    assert (agrees(patient), agrees(wife), agrees(other)) == (False, False, True)
    assert replies() == ["stopped"]


def test_mail_goes_on_after_a_stop_by_text(patient: Patient) -> None:
    make_consent(patient, channel="mail")
    text_in("stop")
    assert patient.consents.filter(channel="mail").order_by("-pk")[0].granted


def test_a_stop_that_is_denied_ends_nothing(patient: Patient) -> None:
    for body in ("don't stop", "no pares", "the noise won't stop"):
        came = text_in(body)
        assert (came.text.meaning, came.text.needs_person, came.text.reply) == ("other", True, None)
    assert agrees(patient)
    assert replies() == []


def test_the_confirmation_goes_out_at_night_and_to_the_number_that_wrote(patient: Patient) -> None:
    """It answers, so it waits for no hour; the consent that has just ended does not hold it back."""
    text_in("stop", now=NIGHT)
    carrier = KeepingCarrier()
    assert outbox.deliver({Channel.TEXT: carrier}, now=NIGHT + MINUTE).sent == 1
    (letter,) = carrier.letters
    assert letter.address == NUMBER
    message = Message.objects.get()
    assert (message.state, message.purpose) == ("sent", "stopped")


def test_a_confirmation_that_comes_too_late_is_not_sent(patient: Patient) -> None:
    """47 CFR 64.1200(a)(12), from memory: within five minutes."""
    text_in("stop")
    carrier = KeepingCarrier()
    assert outbox.deliver({Channel.TEXT: carrier}, now=NOW + 5 * MINUTE).sent == 0
    assert not agrees(patient)


# --- help, start --------------------------------------------------------------------------------------------


def test_help_is_answered_and_changes_nothing(patient: Patient) -> None:
    came = text_in("HELP")
    assert replies() == ["help"]
    assert not came.text.needs_person
    assert patient.consents.count() == 1
    text_in("stop")
    text_in("¿Ayuda?")
    assert replies() == ["help", "stopped", "help"]  # who asks is answered, also after a stop
    assert not agrees(patient)


def test_a_start_gives_back_what_a_stop_by_text_took(patient: Patient) -> None:
    make_consent(patient, channel="text", purpose="overdue", granted=False)
    text_in("stop")
    came = text_in("START", now=NOW + MINUTE)
    newest = list(patient.consents.order_by("-pk")[:2])
    assert [(row.purpose, row.granted, row.how) for row in reversed(newest)] == [
        ("", True, STARTED_BY_TEXT),
        ("overdue", False, STARTED_BY_TEXT),
    ]
    assert not came.text.needs_person
    assert replies() == ["stopped", "started"]


def test_stop_and_start_may_follow_each_other(patient: Patient) -> None:
    for _ in range(2):
        text_in("stop")
        assert not agrees(patient)
        text_in("start")
        assert agrees(patient)
    assert patient.consents.count() == 5


def test_a_start_is_no_consent_by_itself(patient: Patient) -> None:
    """Who never agreed, or refused to a person's face, is asked by a person."""
    stranger = make_patient(phone="303 555 0177")
    assert text_in("start", number="+13035550177").text.needs_person
    assert not stranger.consents.exists()
    text_in("stop", number="+13035550177")  # nothing to give back to who never agreed
    assert text_in("start", number="+13035550177").text.needs_person
    make_consent(patient, channel="text", granted=False, how="asked at the desk")
    assert text_in("start").text.needs_person
    assert not agrees(patient)
    assert replies() == ["stopped"]


# --- yes and no ---------------------------------------------------------------------------------------------


def test_a_bare_yes_is_no_answer_but_gets_the_link_again(patient: Patient) -> None:
    make_question(patient)
    for body in ("Yes", "no"):
        came = text_in(body)
        assert came.text.needs_person
    assert patient.refill_answers.count() == 0
    assert replies() == ["link_again", "link_again"]
    carrier = KeepingCarrier()
    outbox.deliver({Channel.TEXT: carrier}, now=NOW + MINUTE)
    question = patient.refill_questions.get()
    assert question.links.filter(message__purpose="link_again").count() == 2


def test_a_link_whose_question_closed_meanwhile_is_not_sent(patient: Patient) -> None:
    make_question(patient)
    message = text_in("yes").text.reply
    assert message is not None
    assert look_again([message.pk], now=NOW)[message.pk].note is not None
    patient.refill_questions.update(state="expired", closed_at=NOW)
    assert look_again([message.pk], now=NOW)[message.pk].note is None


def test_a_yes_without_a_question_or_without_a_consent_gets_no_link(patient: Patient) -> None:
    assert text_in("yes").text.reply is None
    make_question(patient)
    text_in("stop")
    assert text_in("yes").text.reply is None
    assert replies() == ["stopped"]


def test_two_people_who_share_a_phone_get_no_link_of_either(patient: Patient) -> None:
    wife = make_patient(phone="303-555-0142")
    make_consent(wife, channel="text")
    make_question(patient)
    make_question(wife)
    assert text_in("yes").text.reply is None


# --- anybody ------------------------------------------------------------------------------------------------


def test_a_number_nobody_has_is_kept_for_a_person_and_not_answered() -> None:
    make_patient(phone="not known")
    for body in ("stop", "help", "start", "yes", "hello"):
        came = text_in(body)
        assert came.text.needs_person
        assert came.text.reply is None
    assert list(InboundText.patients.through.objects.all()) == []
    assert text_in("stop", number="74587").text.needs_person  # a short code


def test_patients_of_an_undone_import_are_nobody(patient: Patient) -> None:
    Patient.objects.filter(pk=patient.pk).update(status=PatientStatus.WITHDRAWN)
    assert not text_in("stop").text.patients.exists()


def test_the_same_event_is_one_text(patient: Patient) -> None:
    first = text_in("stop", event="evt-1")
    again = text_in("stop", event="evt-1")
    assert (first.is_new, again.is_new) == (True, False)
    assert first.text == again.text


def test_two_programs_that_answer_each_other_fall_silent(patient: Patient) -> None:
    for _ in range(REPLIES_A_DAY + 3):
        last = text_in("help").text
    assert len(replies()) == REPLIES_A_DAY
    assert last.needs_person
    assert text_in("help", now=NOW + timedelta(days=1, minutes=1)).text.reply is not None


def test_replies_stand_beside_the_message_of_the_day(patient: Patient) -> None:
    Message.objects.create(
        patient=patient, channel="text", purpose="refill", day=NOW.date(), created_at=NOW, not_before=NOW,
        expires_at=NOW + timedelta(hours=5),
    )  # fmt: skip
    text_in("help")
    text_in("help")
    assert replies() == ["help", "help"]


# --- staff --------------------------------------------------------------------------------------------------


def test_staff_see_texts_of_their_patients_and_of_nobody(patient: Patient) -> None:
    south = make_patient(phone="303 555 0188", location=make_location(name="South"))
    mine, theirs = text_in("hello").text, text_in("hello", number="+13035550188").text
    nobodys = text_in("hello", number="+13035550199").text
    assert list(waiting([patient.location_id])) == [mine, nobodys]
    assert list(waiting([south.location_id])) == [theirs, nobodys]
    assert len(waiting([])) == 3


def test_handled_is_kept_with_who_and_what(patient: Patient) -> None:
    text, by = text_in("call me please").text, make_user()
    handled = inbound.handle(text, note="  Called back. ", by=by, now=NOW)
    assert (handled.handled_at, handled.handled_by, handled.handled_note) == (NOW, by, "Called back.")
    assert list(waiting([])) == []
    assert list(others([])) == [text]
    with pytest.raises(Refused, match="already"):
        inbound.handle(text, note="Again.", by=by, now=NOW)
    with pytest.raises(Refused) as refused:
        inbound.handle(text_in("hello").text, note=" ", by=by, now=NOW)
    assert refused.value.code == "reason_missing"
