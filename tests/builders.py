"""Builders of records for tests: every argument has a sensible default, anything can be said otherwise.

They write rows and nothing else. What a service would do besides (plans, checks) is left to the services; a
test that needs plans calls `refresh_plans` or uses the service. The suite's usual day is 2026-03-18.
"""

from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from itertools import count
from typing import Any

from clinic.accounts.models import User
from resupply.models import (
    AllowanceVersion,
    BackOrder,
    CatalogueItem,
    ClosedDay,
    Consent,
    Contact,
    Coverage,
    Device,
    Dispense,
    DispenseLine,
    EmergencyAccess,
    Event,
    EvidencePacket,
    FindToken,
    Fitting,
    FollowUp,
    FollowUpPlanVersion,
    ImportBatch,
    InboundText,
    Integration,
    Job,
    JobPart,
    LifeVersion,
    Location,
    MagnetScreen,
    MatchingVersion,
    MatchRecord,
    Message,
    Night,
    NightImport,
    Order,
    OrderItem,
    Patient,
    PatientLink,
    PatientReport,
    Payer,
    PolicyDraft,
    Proof,
    QuestionPart,
    Recall,
    RecallContact,
    RecallNotice,
    RefillAnswer,
    RefillAnswerItem,
    RefillQuestion,
    Role,
    Said,
    SharedResource,
    Staff,
    StockLevel,
    StockMovement,
    TextReview,
    Upload,
    UploadFile,
    UploadProblem,
)
from resupply.queries.feeds import token_hash
from resupply.rules.matching_table import shipped_text
from resupply.rules.tables import part_types
from resupply.services import doors, packets
from resupply.services.doors import IssuedLink
from resupply.services.find_tokens import token_rows
from resupply.services.questions import make_links

TODAY = date(2026, 3, 18)
NOW = datetime(2026, 3, 18, 15, 0, tzinfo=UTC)
PASSWORD = "a-long-test-password"
_numbers = count(1)


def make_location(**over: Any) -> Location:
    """A location in Denver's zone."""
    values: dict[str, Any] = {"name": f"Room {next(_numbers)}", "time_zone": "America/Denver"}
    return Location.objects.create(**values | over)


def make_closed_day(location: Location, **over: Any) -> ClosedDay:
    """A standing day off of a location: 2026-12-25."""
    values: dict[str, Any] = {"day": date(2026, 12, 25), "reason": "Holiday"}
    return ClosedDay.objects.create(location=location, **values | over)


def make_payer(*, allowances: Iterable[dict[str, Any]] = (), **over: Any) -> Payer:
    """A payer; `allowances` are fields of AllowanceVersion (2 per month, 3 months at once unless said)."""
    payer = Payer.objects.create(**{"name": f"Payer {next(_numbers)}"} | over)
    for allowance in allowances:
        make_allowance(payer, **allowance)
    return payer


def make_allowance(payer: Payer, **over: Any) -> AllowanceVersion:
    """A usual maximum: two A7032 per month, three months' worth at once, from 2020 on."""
    values: dict[str, Any] = {
        "part_code": "A7032",
        "units": 2,
        "period_count": 1,
        "period_unit": "month",
        "at_once_periods": 3,
        "effective_from": date(2020, 1, 1),
    }
    return AllowanceVersion.objects.create(payer=payer, **values | over)


def make_patient(
    *, payer: Payer | None = None, paid_from: date = date(2020, 1, 1), screened: bool = True, **over: Any
) -> Patient:
    """A patient on therapy; with `payer`, covered by it from `paid_from` on. Asked about implants and objects
    that magnets may affect, with a no on both sides, unless `screened` is False.
    """
    number = next(_numbers)
    values: dict[str, Any] = {
        "reference": f"T{number:05d}",
        "given_name": "Test",
        "family_name": f"Person{number}",
        "birth_date": date(1961, 2, 4),
        "time_zone": "America/Denver",
        "therapy_started_on": date(2024, 10, 1),
    }
    values |= over
    if "location" not in values:
        values["location"] = Location.objects.order_by("pk").first() or make_location()
    patient = Patient.objects.create(**values)
    FindToken.objects.bulk_create(token_rows(patient))
    if payer is not None:
        make_coverage(patient, payer, starts_on=paid_from)
    if screened:
        make_screen(patient)
    return patient


def make_screen(patient: Patient, **over: Any) -> MagnetScreen:
    """A magnet screen of the suite's usual day: neither the wearer nor anyone close is affected."""
    values: dict[str, Any] = {"asked_on": TODAY, "wearer": Said.NO, "close_contact": Said.NO}
    return MagnetScreen.objects.create(patient=patient, **values | over)


def make_coverage(patient: Patient, payer: Payer | None, **over: Any) -> Coverage:
    """Who pays for the patient from 2020 on."""
    return Coverage.objects.create(patient=patient, payer=payer, **{"starts_on": date(2020, 1, 1)} | over)


def make_consent(patient: Patient, **over: Any) -> Consent:
    """A yes to e-mail."""
    values: dict[str, Any] = {
        "channel": "mail",
        "granted": True,
        "given_on": date(2025, 1, 1),
        "how": "asked at the desk",
    }
    return Consent.objects.create(patient=patient, **values | over)


def make_inbound_text(patient: Patient, **over: Any) -> InboundText:
    """A text from a patient's phone that waits for a person."""
    values: dict[str, Any] = {
        "event_id": f"event-{next(_numbers)}",
        "from_number": "+13035550142",
        "body": "Please call me about the strap.",
        "received_at": NOW,
        "meaning": "other",
    }
    text = InboundText.objects.create(**values | over)
    text.patients.add(patient)
    return text


def make_item(**over: Any) -> CatalogueItem:
    """A catalogue item: a nasal cushion."""
    number = next(_numbers)
    values: dict[str, Any] = {
        "name": f"Item {number}",
        "kind": "cushion",
        "part_code": "A7032",
        "magnetic": "no",
    }
    return CatalogueItem.objects.create(**values | over)


def make_order(patient: Patient, **over: Any) -> Order:
    """A prescriber's order of 2026-01-05 for a year: six A7032 in three months."""
    values: dict[str, Any] = {
        "prescriber_name": "Dr. Test",
        "prescriber_npi": "1234567893",
        "ordered_on": date(2026, 1, 5),
        "ends_on": date(2027, 1, 5),
    }
    order = Order.objects.create(patient=patient, **values | over)
    OrderItem.objects.create(order=order, part_code="A7032", quantity=6, period_months=3)
    return order


def make_device(patient: Patient, **over: Any) -> Device:
    """A device with a fixed pressure, supplied when therapy started."""
    values: dict[str, Any] = {
        "description": "Fixed-pressure device",
        "pressure_low": Decimal("9.5"),
        "humidifier": "heated",
        "supplied_on": date(2024, 10, 1),
    }
    return Device.objects.create(patient=patient, **values | over)


def make_policy_draft(**over: Any) -> PolicyDraft:
    """A draft that nobody has previewed: cushions last two months from the suite's usual day on."""
    values: dict[str, Any] = {
        "kind": "life",
        "values": {"part_code": "A7032", "period_count": 2, "period_unit": "month"},
        "effective_from": TODAY,
        "reason": "seen to last",
        "drafted_at": NOW,
    }
    return PolicyDraft.objects.create(**values | over)


def make_recall(**over: Any) -> Recall:
    """A standing recall of 2026-03-01; it names lot R-1 unless something else is said."""
    values: dict[str, Any] = {
        "title": f"Recall {next(_numbers)}",
        "issued_on": date(2026, 3, 1),
        "source": "a maker's letter (invented)",
    }
    if not over.keys() & {"item", "family", "part_code", "lot"}:
        values["lot"] = "R-1"
    return Recall.objects.create(**values | over)


def make_recall_contact(recall: Recall, patient: Patient, **over: Any) -> RecallContact:
    """A call of today that nobody answered, about a recall with an open notice."""
    RecallNotice.objects.get_or_create(recall=recall, voided_at=None)
    values: dict[str, Any] = {"on": TODAY, "channel": "phone", "outcome": "no_answer"} | over
    return RecallContact.objects.create(recall=recall, patient=patient, **values)


def make_dispense(
    patient: Patient,
    *,
    on: date = date(2026, 1, 1),
    lines: Iterable[dict[str, Any]] = ({},),
    **over: Any,
) -> Dispense:
    """A dispense with lines (one A7032 unless said); the kind follows from the code. No plan is refreshed."""
    dispense = Dispense.objects.create(
        **{"patient": patient, "location": patient.location, "dispensed_on": on} | over
    )
    for position, line in enumerate(lines):
        values: dict[str, Any] = {"part_code": "A7032", "quantity": 1} | line
        values.setdefault("kind", part_types()[values["part_code"]].kind)
        DispenseLine.objects.create(dispense=dispense, position=position, **values)
    return dispense


def make_proof(dispense: Dispense, **over: Any) -> Proof:
    """A slip signed on the day of the dispense by the patient's spouse."""
    values: dict[str, Any] = {
        "method": "signed",
        "delivered_on": dispense.dispensed_on,
        "signed_by": "Jan Ek",
        "relation": "spouse",
    }
    return Proof.objects.create(dispense=dispense, **values | over)


def make_packet(dispense: Dispense, **over: Any) -> EvidencePacket:
    """An evidence packet of a dispense, made by nobody at the suite's usual moment."""
    values: dict[str, Any] = {"clinic_name": "Juniper Bend Sleep Clinic", "by": None, "now": NOW}
    return packets.make_packet(dispense, **values | over)


def make_event(patient: Patient, event: str, **over: Any) -> Event:
    """A swap, loss, pause or refit on 2026-02-01 (swap and loss: of the cushion; refit: to "Aspen")."""
    values: dict[str, Any] = {"event": event, "on": date(2026, 2, 1)}
    if event in {"swap", "lost", "loss"}:
        values["kind"] = "cushion"
    if event == "refit":
        values["family"] = "Aspen"
    return Event.objects.create(patient=patient, **values | over)


def make_answer(patient: Patient, *, items: Iterable[dict[str, Any]] = ({},), **over: Any) -> RefillAnswer:
    """A yes by telephone on 2026-03-16 to a worn cushion; `items` are fields of RefillAnswerItem."""
    values: dict[str, Any] = {
        "wish": "yes",
        "channel": "phone",
        "contacted_on": date(2026, 3, 16),
        "answered_by": patient.name,
    }
    values |= over
    values.setdefault("answered_at", datetime(2026, 3, 16, 18, tzinfo=UTC))
    values.setdefault("recorded_at", values["answered_at"])
    answer = RefillAnswer.objects.create(patient=patient, **values)
    for item in items:
        fields = {"kind": "cushion", "part_code": "A7032", "wanted": True, "need": "worn"} | item
        name = part_types()[fields["part_code"]].name
        RefillAnswerItem.objects.create(answer=answer, **{"description": name} | fields)
    return answer


def make_contact(patient: Patient, **over: Any) -> Contact:
    """A call on 2026-03-16 that nobody answered."""
    return Contact.objects.create(patient=patient, **{"on": date(2026, 3, 16), "outcome": "no_answer"} | over)


def make_question(patient: Patient, *, parts: Iterable[dict[str, Any]] = ({},), **over: Any) -> str:
    """An open refill question about the cushion, sent on the usual day; returns the token of its link.

    Parts take the dates of the patient's lines, where there are any.
    """
    values = {"asked_at": NOW, "expires_at": NOW + timedelta(days=30)} | over
    question = RefillQuestion.objects.create(patient=patient, **values)
    for part in parts:
        fields: dict[str, Any] = {"kind": "cushion", "part_code": "A7032"} | part
        line = patient.plan_lines.filter(kind=fields["kind"]).first()
        fields.setdefault("supply_ends_on", line.supply_ends_on if line else TODAY)
        QuestionPart.objects.create(question=question, **fields)
    asked_on = question.asked_at.date()
    message = Message.objects.create(
        patient=patient, channel="mail", purpose="refill_question", question=question, day=asked_on,
        state="sent", created_at=question.asked_at, not_before=question.asked_at,
        expires_at=question.asked_at + timedelta(hours=9), finished_at=question.asked_at,
    )  # fmt: skip
    return make_links({message.pk: question.pk}, now=question.asked_at)[message.pk]


def make_movement(item: CatalogueItem, location: Location, **over: Any) -> StockMovement:
    """Ten units received on 2026-03-02, lot `L1`, with the level that follows from it."""
    values: dict[str, Any] = {
        "item": item,
        "location": location,
        "movement": "received",
        "quantity": 10,
        "lot": "L1",
        "expires_on": None,
        "on": date(2026, 3, 2),
    }
    movement = StockMovement.objects.create(**values | over)
    level, _ = StockLevel.objects.get_or_create(
        location=location, item=item, lot=movement.lot, expires_on=movement.expires_on
    )
    level.on_hand += movement.quantity
    level.save()
    return movement


def make_back_order(patient: Patient, **over: Any) -> BackOrder:
    """One cushion, ordered on 2026-03-16, no day known."""
    values: dict[str, Any] = {
        "location": patient.location,
        "kind": "cushion",
        "part_code": "A7032",
        "quantity": 1,
        "ordered_on": date(2026, 3, 16),
    }
    return BackOrder.objects.create(patient=patient, **values | over)


def make_life(**over: Any) -> LifeVersion:
    """A clinic life version: A7032, one month from 2020 on."""
    values: dict[str, Any] = {
        "part_code": "A7032",
        "period_count": 1,
        "period_unit": "month",
        "effective_from": date(2020, 1, 1),
    }
    return LifeVersion.objects.create(**values | over)


def make_user(**over: Any) -> User:
    """A person with a sign-in and no role here. Without `password` only `force_login` lets them in (it is
    fast).
    """
    values: dict[str, Any] = {"username": f"user{next(_numbers)}"}
    return User.objects.create_user(**values | over)


def make_staff(role: Role = Role.DESK, *, locations: Iterable[Location] = (), **over: Any) -> Staff:
    """A member of staff with a role; no locations: all of them. `over` are fields of the user."""
    staff = Staff.objects.create(user=make_user(**over), role=role)
    staff.locations.set(locations)
    return staff


def make_batch(**over: Any) -> ImportBatch:
    """An import from a terminal that brought one patient; the patient is not written."""
    values: dict[str, Any] = {
        "imported_at": NOW,
        "file_names": ["patients.csv"],
        "rows_added": {"patients": 1, "changed": 0},
    }
    return ImportBatch.objects.create(**values | over)


def make_upload(**over: Any) -> Upload:
    """A list that was checked: one of its two dispensed parts has a day that does not exist."""
    report = {
        "rows": {"dispenses": 2},
        "added": {"dispenses": 1},
        "changed": {},
        "known": {},
        "consents": 0,
        "errors": 1,
        "warnings": 0,
        "failed": {"dispenses": [3]},
        "replaced": {},
    }
    values: dict[str, Any] = {"uploaded_at": NOW, "state": "checked", "report": report}
    if "uploaded_by" not in over:
        values["uploaded_by"] = make_user()
    upload = Upload.objects.create(**values | over)
    header = "patient_ref,dispensed_on,part_code,quantity"
    sent, failed = f"{header}\n1047,2026-01-05,A7032,1\n1047,2026-02-30,A7032,1\n", "1047,2026-02-30,A7032,1"
    files = {"sent": sent, "failed": f"row_in_file,{header},what_is_wrong,what_to_do\n3,{failed},x,y\n"}
    for part, text in files.items():
        UploadFile.objects.create(
            upload=upload, part=part, table="dispenses", file_name="dispenses.csv", content=text.encode()
        )
    UploadProblem.objects.create(
        upload=upload,
        file="dispenses.csv",
        row=3,
        column="dispensed_on",
        value="2026-02-30",
        wrong="there is no day 30 in 2026-02",
        mend="write a day from 01 to 28",
    )
    return upload


def make_job(by: User, **over: Any) -> Job:
    """A job that is done and left a small file."""
    values: dict[str, Any] = {
        "kind": "test",
        "title": "A long list",
        "permission": "job.see",
        "asked_at": NOW,
        "state": "done",
        "outcome": "2 rows.",
        "file_name": "list.csv",
        "file_type": "text/csv",
        "file_size": 4,
        "finished_at": NOW,
    }
    job = Job.objects.create(asked_by=by, **values | over)
    JobPart.objects.create(job=job, position=0, content=b"a\nb\n")
    return job


def make_match(patient: Patient, **over: Any) -> MatchRecord:
    """A match of today: nothing answered, no style chosen."""
    return MatchRecord.objects.create(patient=patient, **{"answered_on": TODAY} | over)


def make_fitting(patient: Patient, **over: Any) -> Fitting:
    """A fitting of today, under way."""
    values = {"location": patient.location, "fitted_on": TODAY}
    return Fitting.objects.create(patient=patient, **values | over)


def make_follow_up(patient: Patient, **over: Any) -> FollowUp:
    """A follow-up of today that reached the patient."""
    return FollowUp.objects.create(patient=patient, **{"on": TODAY, "reached": True} | over)


def make_nights(patient: Patient, *, first: date, minutes: Iterable[int], **over: Any) -> NightImport:
    """A file of nights from `first` on, so many minutes each."""
    used = list(minutes)
    last = first + timedelta(days=len(used) - 1)
    brought = NightImport.objects.create(patient=patient, rows=len(used), first_night=first, last_night=last)
    values = {"patient": patient, "brought_by": brought} | over
    Night.objects.bulk_create(
        Night(night_on=first + timedelta(days=n), usage_min=use, **values) for n, use in enumerate(used)
    )
    return brought


def make_own_page(patient: Patient, **over: Any) -> IssuedLink:
    """A live link to the patient's own page, of the suite's usual day; any other one ends."""
    PatientLink.objects.filter(patient=patient, revoked_at=None).update(revoked_at=NOW)
    issued = doors.issue(patient, by=None, now=NOW)
    PatientLink.objects.filter(pk=issued.link.pk).update(**{"last_opened_at": None} | over)
    issued.link.refresh_from_db()
    return issued


def make_emergency(patient: Patient, *, by: User, **over: Any) -> EmergencyAccess:
    """An emergency access of an hour on the suite's usual day."""
    values: dict[str, Any] = {"reason": "came in with a broken mask", "began_at": NOW}
    values |= {"ends_at": NOW + timedelta(hours=1)} | over
    return EmergencyAccess.objects.create(patient=patient, user=by, **values)


def make_report(patient: Patient, **over: Any) -> PatientReport:
    """Air leaks, reported on the suite's usual day."""
    values: dict[str, Any] = {"told": "leak", "on": TODAY, "note": "at the left cheek", "recorded_at": NOW}
    return PatientReport.objects.create(patient=patient, **values | over)


def make_text_review(**over: Any) -> TextReview:
    """An approval of a wording that has changed since."""
    values = {"text": "care_sheet", "language": "es", "digest": "0" * 64, "reviewed_on": TODAY}
    named = {"reviewer": "Rea Dorval", "qualification": "medical interpreter"}
    return TextReview.objects.create(**values | named | over)


def make_matching_version(**over: Any) -> MatchingVersion:
    """The shipped table as the clinic's own, in force from today."""
    values = {"table": shipped_text(), "effective_from": TODAY, "reason": "agreed by the team"}
    return MatchingVersion.objects.create(**values | over)


def make_follow_up_plan(**over: Any) -> FollowUpPlanVersion:
    """A plan with one step in the first week, from today on."""
    steps = [{"step": "day_2", "name": "Second day", "from_day": 1, "to_day": 2}]
    values = {"steps": steps, "effective_from": TODAY, "reason": "agreed by the team"}
    return FollowUpPlanVersion.objects.create(**values | over)


TOKEN = "a token of a program"


def make_integration(*, token: str = TOKEN, locations: Iterable[Location] = (), **over: Any) -> Integration:
    """A program that may read every kind of record."""
    values: dict[str, Any] = {
        "name": "Records of the hospital",
        "purpose": "Shows dispensed parts in the hospital's record",
        "token_hash": token_hash(token),
        "resources": list(SharedResource),
        "created_at": NOW - timedelta(days=30),
        "expires_at": NOW + timedelta(days=150),
    }
    made = Integration.objects.create(**values | over)
    made.locations.set(locations)
    return made
