"""Evidence packets: what is in one, that it stays the same to the byte, that a changed record is named."""

import json
import os
from datetime import timedelta
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest
from django.db import connection, transaction
from django.db.utils import ProgrammingError
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from resupply.models import (
    Dispense,
    DispenseLine,
    EvidencePacket,
    Location,
    Night,
    Patient,
    Payer,
    QuestionPart,
    RefillAnswer,
)
from resupply.rules.periods import Period, Unit
from resupply.services import corrections, packets, people, plans, policies
from resupply.services.errors import Refused
from resupply.services.packets import Checked
from tests import builders
from tests.builders import NOW
from tests.services.evidence import bare, complete
from tests.services.writes import World, Write, any_write

pytestmark = pytest.mark.django_db

LATER = NOW + timedelta(hours=1)
CLINIC = "Juniper Bend Sleep Clinic"
EXAMPLES = 200 if os.environ.get("HYPOTHESIS_PROFILE") == "deep" else 6


def made(dispense: Dispense, **over: Any) -> EvidencePacket:
    return packets.make_packet(dispense, **{"clinic_name": CLINIC, "by": None, "now": NOW} | over)


def document(packet: EvidencePacket) -> Any:
    return json.loads(packets.document_of(packet))


def behind_its_back(sql: str, *values: object) -> None:
    """Change rows as nobody should: in SQL, with the triggers that write history switched off."""
    with connection.cursor() as cursor:
        cursor.execute("SET LOCAL session_replication_role = replica")
        cursor.execute(sql, values)
        cursor.execute("SET LOCAL session_replication_role = origin")


def named(checked: Checked) -> set[tuple[str, str, str]]:
    return {(row.why, row.record, row.field) for row in checked.differences}


def test_it_holds_what_an_audit_asks_for() -> None:
    """The refill record and proof of delivery as CMS and the supplier contractors list them: who asked whom
    when, items with description, the yes, why it is needed; name, address, description, quantity, date,
    carrier's id, signer with relation (42 CFR 410.38(d)(4); 42 CFR 424.57(c)(12)).
    """
    given_ = complete()
    packet = made(given_)
    said = document(packet)
    assert said["missing"] == []
    (answer,), (question,) = said["answers"], said["questions"]
    assert (answer["answered_by"], answer["channel"], answer["contacted_on"]) == (
        "Odalys Brandt",
        "phone",
        "2026-03-16",
    )
    (item,) = answer["items"]
    assert (item["description"], item["need"], item["condition"], item["left"]) == (
        "Cushion for a nasal mask", "it leaks at the left cheek", "leaks", 0,
    )  # fmt: skip
    assert [(m["channel"], m["subject"]) for m in question["messages"]] == [
        ("mail", "Do you need new parts?")
    ]
    (line,) = said["dispense"]["lines"]
    assert (line["part_code"], line["quantity"], line["lot"], line["billed_to"]) == (
        "A7032",
        2,
        "L77",
        "Payer E",
    )
    assert (line["exception_reason"], line["notice"], line["notice_on"]) == (
        "the last ones tore early", "given", "2026-03-17",
    )  # fmt: skip
    assert said["dispense"]["delivery_address"] == "4 Elm St\nBirch Hill"
    assert (said["proof"]["signed_by"], said["proof"]["relation"]) == ("Jan Brandt", "spouse")
    assert said["dispense"]["recorded_by"] == "Ines Marr"
    assert (said["order"]["prescriber_npi"], said["fitting"]["mask_kept"]) == (
        "1234567893",
        "Aspen cushion, M",
    )
    # Four units of one month from 2025-12-10 end on 2026-04-10; v2 (CMS-1780-F): ten days before.
    before = said["dates"]["cushion"]["before"]["values"]
    assert (before["supply_ends_on"], before["deliver_from"]) == ("2026-04-10", "2026-03-31")
    assert line["published_rule"]["version"] == "v2"
    assert [stop["reason"] for stop in line["published_rule"]["stops"]] == ["delivered_too_early"]
    assert {rule["rule"]: rule["whose"] for rule in said["rules"]} == {
        "life": "shipped", "allowance": "Payer E", "refill": "published", "terms": "shipped",
    }  # fmt: skip
    assert said["first_months"]["reevaluation"]["seen_on"] == "2025-12-16"
    assert packet.document_sha256 == sha256(packets.document_of(packet)).hexdigest()
    assert packets.check_packet(packet).holds
    kept = json.loads(Path("tests/delivery/evidence-packet-1.json").read_text(encoding="utf-8"))
    assert shape(said) == shape(kept)  # of format 1; another shape is another format


def shape(part: Any) -> Any:
    """The keys of a document, of a list those of its first member."""
    if isinstance(part, dict):
        return {key: shape(value) for key, value in part.items() if key != "records"}
    return [shape(part[0])] if isinstance(part, list) and part and isinstance(part[0], dict) else None


def test_what_is_not_on_record_is_named() -> None:
    said = document(made(bare()))
    assert said["missing"] == [
        ["order", ""], ["device", ""], ["fitting", ""], ["answer_in_person", "A7032"], ["lot", "A7032"],
        ["proof", ""],
    ]  # fmt: skip
    assert (said["order"], said["proof"], said["answers"], said["first_months"]) == (None, None, [], None)


def test_numbers_run_and_a_packet_is_never_changed() -> None:
    given_ = bare()
    assert [made(given_).name, made(given_).name] == ["E000001", "E000002"]
    with pytest.raises(ProgrammingError), transaction.atomic():
        EvidencePacket.objects.update(document_sha256="0" * 64)
    with pytest.raises(ProgrammingError), transaction.atomic():
        EvidencePacket.objects.all().delete()


def test_what_another_supplier_gave_has_none() -> None:
    given_ = builders.make_dispense(builders.make_patient(), supplied_by="elsewhere")
    with pytest.raises(Refused) as refused:
        made(given_)
    assert refused.value.code == "given_elsewhere"


def test_what_came_later_does_not_enter() -> None:
    """Names, addresses, payers, places, items, voids, versions, answers handled, plans rebuilt."""
    given_ = complete()
    packet = made(given_)
    patient, place = given_.patient, given_.location
    Patient.objects.filter(pk=patient.pk).update(family_name="Ek", address="9 Oak St")
    Location.objects.filter(pk=place.pk).update(name="East room", phone="")
    Payer.objects.update(name="Payer Z", reevaluation="", refill_source="clinic")
    RefillAnswer.objects.update(handled_at=LATER, handled_note="read")
    QuestionPart.objects.update(supply_ends_on="2026-05-01")
    Night.objects.update(voided_at=LATER, void_reason="another card")
    builders.make_user(username="ivy")
    Dispense._meta.get_field("recorded_by").related_model.objects.update(last_name="Married")
    policies.set_life(
        "A7032", Period(2, Unit.WEEK), effective_from=given_.dispensed_on, reason="", by=None, now=LATER
    )
    people.set_coverage(patient, None, starts_on=given_.dispensed_on, by=None, now=LATER)
    corrections.void_dispense(given_, reason="given to another", by=None, now=LATER)
    builders.make_dispense(patient, on=given_.dispensed_on - timedelta(days=3), recorded_at=LATER)
    list(plans.rebuild_plans(now=LATER))
    checked = packets.check_packet(packet)
    assert checked.holds, checked
    assert document(made(given_, now=LATER + timedelta(minutes=1)))["missing"][0] == ["void", ""]


def test_what_was_void_then_and_stands_again_stays_void_in_it() -> None:
    given_ = complete()
    line = DispenseLine.objects.get(dispense=given_)
    corrections.void_line(line, reason="a slip", by=None, now=NOW)
    packet = made(given_)
    corrections.restore(line, by=None, now=NOW + timedelta(minutes=5))
    assert packets.check_packet(packet).holds
    assert document(packet)["dispense"]["lines"][0]["void_reason"] == "a slip"


@given(writes=st.lists(any_write(), min_size=1, max_size=5))
@settings(
    max_examples=EXAMPLES,
    deadline=None,
    suppress_health_check=[
        HealthCheck.too_slow,
        HealthCheck.data_too_large,
        HealthCheck.function_scoped_fixture,
    ],
)
def test_after_any_writes_it_is_the_same_to_the_byte(writes: list[Write]) -> None:
    with transaction.atomic():
        world = World.make()
        given_ = builders.make_dispense(
            world.patients[0], lines=[{"lot": "L1"}, {"part_code": "A7034"}], on=world.day(90)
        )
        plans.refresh_plans([given_.patient_id], now=world.now)
        packet = made(given_, now=world.now)
        ids = [given_.pk]
        world.now += timedelta(seconds=1)
        for write in writes:
            try:
                with transaction.atomic():
                    write(world)
            except Refused:
                continue
        checked = packets.check_packet(packet)
        assert (checked.document_again, checked.paper_again) == (True, True), checked
        # The drawn writes themselves turn a dispense into a parcel by an update, which no service does.
        assert named(checked) <= {("edited", f"dispense {pk}", "given") for pk in ids}, checked
        transaction.set_rollback(True)


@pytest.mark.parametrize(
    ("sql", "record"),
    [
        ("UPDATE resupply_dispenseline SET lot = 'L78' WHERE lot = 'L77'", "dispense line"),
        ("UPDATE resupply_proof SET relation = 'self'", "proof"),
        ("UPDATE resupply_refillansweritem SET need = 'it is worn'", "refill answer item"),
        ("UPDATE resupply_order SET prescriber_npi = '1234567890'", "order"),
        ("UPDATE resupply_dispenseline SET quantity = 5 WHERE lot = 'L70'", "dispense line"),
    ],
)
def test_a_changed_record_is_named(sql: str, record: str) -> None:
    """Once past the triggers that write history, once past the program alone."""
    packet = made(complete())
    with transaction.atomic():
        behind_its_back(sql)
        checked = packets.check_packet(packet)
        field = sql.split("SET ")[1].split(" ")[0]
        assert {(why, name.rstrip("0123456789 "), what) for why, name, what in named(checked)} == {
            ("edited", record, field),
            ("unrecorded", record, field),
        }
        transaction.set_rollback(True)
    with connection.cursor() as cursor:
        cursor.execute(sql)
    checked = packets.check_packet(packet)
    assert not checked.holds
    assert [(row.why, row.field) for row in checked.differences] == [("edited", field)]


@pytest.mark.parametrize(
    ("sql", "where"),
    [
        ("UPDATE resupply_dispenselinechange SET lot = 'L78' WHERE lot = 'L77'", ("dispense line", "lot")),
        ("UPDATE resupply_patientchange SET birth_date = '1961-02-05'", ("patient", "birth_date")),
        ("UPDATE resupply_message SET body_text = 'You said yes'", ("message", "body_text")),
        (
            "UPDATE resupply_night SET usage_min = 301 WHERE night_on = '2025-11-02'",
            ("first_months", "nights[1][1]"),
        ),
    ],
)
def test_a_changed_byte_of_the_history_or_of_what_has_none_is_named(sql: str, where: tuple[str, str]) -> None:
    packet = made(complete())
    behind_its_back(sql)
    checked = packets.check_packet(packet)
    assert not checked.document_again
    found = {(name.rstrip("0123456789 "), what) for why, name, what in named(checked) if why == "document"}
    assert where in found


def test_a_record_that_is_gone_is_named() -> None:
    packet = made(complete())
    behind_its_back("DELETE FROM resupply_proof")
    checked = packets.check_packet(packet)
    assert not checked.holds
    assert ("document", "proof") in {(row.why, row.section) for row in checked.differences}


def test_damaged_bytes_of_the_packet_itself_are_told() -> None:
    packet = made(complete())
    packet.document = packets.zlib.compress(packets.document_of(packet).replace(b"L77", b"L78"))
    packet.paper = bytes(packet.paper).replace(b"%%EOF", b"%%EOG")
    checked = packets.check_packet(packet)
    assert (checked.document_kept, checked.paper_kept) == (False, False)
    assert (checked.document_again, checked.paper_again) == (True, True)
