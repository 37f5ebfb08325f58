"""Every purpose makes messages, one a day over all channels; caps, consents and opt-outs hold when it
counts.
"""

from collections.abc import Iterable
from datetime import date, datetime, time, timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.django import TestCase

from resupply.models import (
    BadAddress,
    Consent,
    Event,
    Message,
    MessageOccasion,
    MessageReason,
    MessageState,
    MessageTermsVersion,
    MessageWish,
    Patient,
    PatientLink,
    PlanState,
    StopLink,
)
from resupply.queries import consents
from resupply.queries.queued import look_again
from resupply.rules.consents import Said
from resupply.rules.consents import may_write as rule
from resupply.rules.purposes import Purpose
from resupply.rules.sending import Answer, Letter, Note, Outcome
from resupply.services import doors, failures, message_terms, optouts, outbox
from resupply.services.errors import Refused
from resupply.services.reminders import enqueue_due
from tests.builders import make_consent, make_dispense, make_patient
from tests.services.sending import NOW, TODAY, KeepingCarrier, make_due_patient, make_plan_line

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)
BOTH = ("mail", "text")


class Noting(KeepingCarrier):
    """Keeps the notes it puts into words."""

    def __init__(self, answers: Iterable[Answer] = ()) -> None:
        super().__init__(answers)
        self.notes: list[Note] = []

    def compose(self, note: Note) -> Letter:
        self.notes.append(note)
        return super().compose(note)


def send(*, now: datetime = NOW, channels: tuple[str, ...] = ("mail",)) -> list[Note]:
    """Queue and send what is due; the notes that went out."""
    enqueue_due(now=now, channels=channels)
    carrier = Noting()
    outbox.deliver(dict.fromkeys(channels, carrier), now=now)
    return carrier.notes


def make_swap(patient: Patient, **over: Any) -> None:
    """A cushion whose second unit was to start today; the next refill is far."""
    make_plan_line(patient, **{"ends": 60, "in_use_since": TODAY, "units_started": 2, "spares": 1} | over)


def mailed(**over: Any) -> Patient:
    patient = make_patient(email="patient@patients.example", **over)
    make_consent(patient)
    return patient


# --- purposes -----------------------------------------------------------------------------------------------


def test_a_part_change_is_written_about_once() -> None:
    patient = mailed()
    make_swap(patient)
    assert [note.purpose for note in send()] == ["swap"]
    assert send(now=NOW + DAY) == []
    assert MessageOccasion.objects.get().key == "cushion:2"


@pytest.mark.parametrize("over", [{"units_started": 1}, {"in_use_since": TODAY - 3 * DAY}, {"active": False}])
def test_no_part_change_is_written_about(over: dict[str, Any]) -> None:
    """A first unit is no change, one of three days ago no news, and nobody off therapy is written to."""
    make_swap(mailed(), **over)
    assert send() == []


def test_a_reported_part_change_needs_no_message() -> None:
    patient = mailed()
    make_swap(patient)
    Event.objects.create(patient=patient, event="swap", kind="cushion", on=TODAY)
    assert send() == []


@pytest.mark.parametrize(
    ("event", "kind", "told"),
    [("swap", "tubing", False), ("loss", "cushion", True), ("loss", "tubing", False)],
)
def test_only_what_was_said_of_the_part_itself_says_why_a_spare_started(
    event: str, kind: str, told: bool
) -> None:
    patient = mailed()
    make_swap(patient)
    Event.objects.create(patient=patient, event=event, kind=kind, on=TODAY)
    assert [note.purpose for note in send()] == ([] if told else ["swap"])


@pytest.mark.parametrize(("code", "told"), [("A7032", True), ("A7034", True), ("A7037", False)])
def test_a_dispense_of_the_part_or_of_a_mask_says_why_a_spare_started(code: str, told: bool) -> None:
    patient = mailed()
    make_swap(patient)
    make_dispense(patient, on=TODAY, lines=[{"part_code": code}])
    send()
    assert MessageOccasion.objects.filter(purpose=Purpose.SWAP, stands=True).exists() is not told


def test_a_part_change_reported_meanwhile_is_not_sent() -> None:
    patient = mailed()
    make_swap(patient)
    enqueue_due(now=NOW)
    Event.objects.create(patient=patient, event="swap", kind="cushion", on=TODAY)
    carrier = Noting()
    outbox.deliver({"mail": carrier}, now=NOW)
    assert carrier.notes == []
    assert Message.objects.get().state == MessageState.CANCELLED


def test_a_follow_up_due_is_written_about() -> None:
    patient = mailed(therapy_started_on=TODAY - 30 * DAY)
    make_plan_line(patient, ends=60)
    PlanState.objects.create(patient=patient, valid_until=None)
    notes = send()
    assert [note.purpose for note in notes] == ["follow_up"]


def test_a_newcomer_is_welcomed_with_a_link_of_the_own_page() -> None:
    patient = mailed()
    make_dispense(patient, on=TODAY - DAY)
    (note,) = send()
    assert note.purpose == "welcome"
    link = PatientLink.objects.get(patient=patient)
    assert doors.token_hash(note.page_token) == link.token_hash
    assert send(now=NOW + DAY) == []


def test_who_has_a_link_keeps_it() -> None:
    patient = mailed()
    make_dispense(patient, on=TODAY - DAY)
    link = doors.issue(patient, by=None, now=NOW - DAY).link
    (note,) = send()
    assert note.page_token == ""
    assert PatientLink.objects.get(revoked_at=None) == link


@pytest.mark.parametrize(("left", "purposes"), [(14, ["calendar"]), (16, [])])
def test_the_end_of_a_link_is_written_about_ahead(left: int, purposes: list[str]) -> None:
    patient = mailed()
    issued = doors.issue(patient, by=None, now=NOW - DAY)
    PatientLink.objects.filter(pk=issued.link.pk).update(expires_at=NOW + left * DAY)
    assert [note.purpose for note in send()] == purposes


def test_all_that_is_due_goes_into_one_message() -> None:
    patient = make_due_patient()
    make_swap(patient, kind="mask", part_code="A7034")
    make_dispense(patient, on=TODAY - DAY)
    (note,) = send()
    assert (note.step, note.purpose, note.also) == ("due", "", ("swap", "welcome"))
    assert Message.objects.count() == 1
    assert send(now=NOW + DAY) == []


def test_parts_are_named_only_where_the_patient_chose_it() -> None:
    patient, other = make_due_patient(), make_due_patient()
    MessageWish.objects.create(patient=patient, detailed=True, by_patient=True)
    kinds = {note.key: note.kinds for note in send()}
    assert kinds[str(patient.messages.get().public_id)] == ("cushion",)
    assert kinds[str(other.messages.get().public_id)] == ()


# --- channels -----------------------------------------------------------------------------------------------


def test_the_channel_that_was_chosen_is_taken_where_it_may_be() -> None:
    patient = make_due_patient(phone="303 555 0142")
    make_consent(patient, channel="text")
    MessageWish.objects.create(patient=patient, channel="text")
    (note,) = send(channels=BOTH)
    assert patient.messages.get().channel == "text"
    assert note.address == "303 555 0142"


def test_a_channel_without_a_carrier_waits() -> None:
    patient = make_due_patient(consent=False, phone="303 555 0142")
    make_consent(patient, channel="text")
    assert enqueue_due(now=NOW, channels=BOTH) == 1
    carrier = KeepingCarrier()
    outbox.deliver({"mail": carrier}, now=NOW)
    assert carrier.opened == 0
    assert patient.messages.get().state == MessageState.WAITING


def test_a_no_to_one_purpose_holds_that_one_alone() -> None:
    patient = make_due_patient()
    make_swap(patient, kind="mask", part_code="A7034")
    make_consent(patient, purpose="question", granted=False)
    (note,) = send()
    assert (note.step, note.purpose) == ("", "swap")
    assert not MessageReason.objects.exists()


# --- when it counts -----------------------------------------------------------------------------------------


def test_an_opt_out_cancels_what_waits_and_its_reasons_are_free() -> None:
    patient = make_due_patient()
    enqueue_due(now=NOW)
    optouts.stop(patient, channel=None, how="on the telephone", by=None, now=NOW)
    message = patient.messages.get()
    assert message.state == MessageState.CANCELLED
    assert not MessageReason.objects.filter(stands=True).exists()
    rows = Consent.objects.filter(patient=patient, granted=False)
    assert {row.channel for row in rows} == {"mail", "text", "phone"}
    optouts.stop(patient, channel=None, how="again", by=None, now=NOW)
    assert rows.count() == 3


def test_a_no_said_after_the_claim_still_holds() -> None:
    patient = make_due_patient()
    enqueue_due(now=NOW)
    (held,) = outbox.claim(now=NOW)
    optouts.stop(patient, channel="mail", how="on the telephone", by=None, now=NOW)
    assert look_again([held.message_id], now=NOW)[held.message_id].note is None


def test_three_a_week_and_no_more() -> None:
    patient = mailed()
    for ago in (6, 4, 2):
        _sent(patient, TODAY - ago * DAY)
    make_plan_line(patient)
    assert send() == []
    assert send(now=NOW + DAY) != []  # the first of the three is a week ago


def test_a_version_may_allow_fewer() -> None:
    MessageTermsVersion.objects.create(effective_from=TODAY, per_week=1, reason="a trial")
    patient = make_due_patient()
    _sent(patient, TODAY - 6 * DAY)
    assert send() == []


def test_a_message_over_the_cap_is_not_sent_even_if_it_was_queued() -> None:
    patient = make_due_patient()
    enqueue_due(now=NOW)
    for ago in (6, 4, 2):
        _sent(patient, TODAY - ago * DAY)
    carrier = KeepingCarrier()
    outbox.deliver({"mail": carrier}, now=NOW)
    assert carrier.letters == []


def test_an_address_that_does_not_exist_is_left_alone_until_it_is_changed() -> None:
    patient = make_due_patient()
    enqueue_due(now=NOW)
    outbox.deliver({"mail": KeepingCarrier([Answer(Outcome.REFUSED, "SMTPRecipientsRefused 550")])}, now=NOW)
    bad = BadAddress.objects.get()
    assert bad.address == patient.email
    make_swap(patient, kind="mask", part_code="A7034")
    assert send(now=NOW + DAY) == []
    Patient.objects.filter(pk=patient.pk).update(email="new@patients.example")
    assert [note.address for note in send(now=NOW + DAY)] == ["new@patients.example"]


def test_a_message_that_failed_is_sent_again_by_a_person_and_once() -> None:
    patient = make_due_patient()
    enqueue_due(now=NOW)
    outbox.deliver({"mail": KeepingCarrier([Answer(Outcome.REFUSED, "SMTPDataError 554")])}, now=NOW)
    failed = patient.messages.get()
    again = failures.resend(failed, by=None, now=NOW)
    assert (again.resend_of, again.reasons.filter(stands=True).count()) == (failed, 1)
    carrier = KeepingCarrier()
    assert outbox.deliver({"mail": carrier}, now=NOW).sent == 1
    with pytest.raises(Refused):
        failures.resend(failed, by=None, now=NOW)
    assert send(now=NOW + DAY) == []


@pytest.mark.parametrize(
    ("change", "code"), [("stop", "opted_out"), ("week", "week_is_full"), ("day", "written_today")]
)
def test_sending_again_keeps_to_consents_and_caps(change: str, code: str) -> None:
    patient = make_due_patient()
    enqueue_due(now=NOW)
    outbox.deliver({"mail": KeepingCarrier([Answer(Outcome.REFUSED, "SMTPDataError 554")])}, now=NOW)
    failed = patient.messages.get()
    if change == "stop":
        optouts.stop(patient, channel="mail", how="on the telephone", by=None, now=NOW)
    for offset in {"week": (-2, -1, 3), "day": (1,)}.get(change, ()):
        waiting = _sent(patient, TODAY + offset * DAY)
        Message.objects.filter(pk=waiting.pk).update(state=MessageState.WAITING)
    with pytest.raises(Refused) as refused:
        failures.resend(failed, by=None, now=NOW + DAY)
    assert refused.value.code == code


def test_terms_keep_to_the_limits() -> None:
    said: dict[str, Any] = {
        "opens": time(8), "closes": time(21), "per_week": 2, "second_ask_days": 5, "link_ahead_days": 14,
    }  # fmt: skip
    message_terms.check_numbers(**said)
    for name, value, code in (
        ("opens", time(7), "hours"),
        ("per_week", 4, "per_week"),
        ("second_ask_days", 29, "days"),
    ):
        with pytest.raises(Refused) as refused:
            message_terms.check_numbers(**said | {name: value})
        assert refused.value.code == code


def test_the_way_out_is_kept_as_a_hash_and_works_once_and_again() -> None:
    make_due_patient()
    (note,) = send()
    link = StopLink.objects.get()
    assert note.stop_token not in (link.token_hash, Message.objects.get().body_text)
    for _ in range(2):
        assert optouts.stop_by_link(note.stop_token, now=NOW) is not None
    assert Consent.objects.filter(granted=False).count() == 1
    assert optouts.stop_by_link("x" * 22, now=NOW) is None


def _sent(patient: Patient, day: date) -> Message:
    return Message.objects.create(
        patient=patient, channel="mail", purpose="refill", day=day, state="sent", created_at=NOW,
        not_before=NOW, expires_at=NOW + DAY, finished_at=NOW,
    )  # fmt: skip


class TestAgreement(TestCase):
    """The database and the rule about the same records."""

    @settings(max_examples=25, deadline=None)
    @given(
        st.lists(
            st.tuples(
                st.sampled_from(["mail", "text"]),
                st.sampled_from(["", "swap", "question"]),
                st.booleans(),
                st.booleans(),
            ),
            max_size=6,
        )
    )
    def test_sql_and_rule_agree_about_every_consent(self, rows: list[tuple[str, str, bool, bool]]) -> None:
        patient = make_patient()
        for channel, purpose, granted, is_void in rows:
            over = {"voided_at": NOW, "void_reason": "a slip"} if is_void else {}
            make_consent(patient, channel=channel, purpose=purpose, granted=granted, **over)
        said = [Said(*row[:3]) for row in rows if not row[3]]
        for channel in BOTH:
            for purpose in (Purpose.SWAP, Purpose.QUESTION, Purpose.WELCOME):
                stored = consents.may_write([patient.pk], channel, purpose) == {patient.pk}
                assert stored is rule(said, channel, purpose)
