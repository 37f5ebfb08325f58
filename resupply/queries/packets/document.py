"""What a packet says, as one JSON document in a shape of our own (DEVELOPERS.md describes it).

Only what was recorded enters, each value from a record as it stood at the packet's marks. Codes stand for
what screens and the paper put into words, so that a change of wording changes no document.
"""

from resupply.models import (
    DispenseLine,
    Event,
    Message,
    Patient,
    RefillAnswer,
    RefillAnswerItem,
    RefillQuestion,
    SuppliedBy,
)
from resupply.queries.facts import line_ref
from resupply.queries.packets.dates import Known, dates_by_kind, published_check
from resupply.queries.packets.gather import Records
from resupply.queries.packets.missing import missing
from resupply.queries.packets.rules_in_force import rules_in_force
from resupply.queries.packets.said import Json, Names, canonical, fields, moment, plain
from resupply.queries.packets.trail import numbers, trail
from resupply.queries.packets.use import first_months
from resupply.queries.slips import described

__all__ = ["FORMAT", "Json", "Names", "canonical", "document"]

FORMAT = 1
"""Version of the document's shape and of the paper's; raised whenever either changes."""


def document(found: Records, *, number: str, asked_by: str | None, names: Names) -> Json:
    """The document of a packet. `names` remembers whom it named."""
    use, known = first_months(found, names), Known.of(found)
    return {
        "format": "evidence packet",
        "format_version": FORMAT,
        "packet": {
            "number": number,
            "known_at": moment(found.known_at),
            "date_of_service": plain(found.day),
            "dispense": found.dispense.number,
            "asked_by": asked_by,
        },
        "missing": missing(found, use),
        "clinic": {"name": found.kept.clinic}
        | fields(found.location, "time_zone", "phone", "address")
        | {"location": found.location.name},
        "patient": _patient(found.patient),
        "coverage": _coverage(found, names),
        "order": _order(found, names),
        "device": _device(found, names),
        "fitting": _fitting(found, names),
        "questions": [_question(question, found, names) for question in found.questions],
        "answers": [_answer(answer, found, names) for answer in found.answers],
        "dispense": _dispense(found, known, names),
        "proof": _proof(found, names),
        "earlier": [_earlier(line, found, names) for line in found.earlier],
        "events": [_event(event, names) for event in found.events],
        "dates": dates_by_kind(found, known),
        "rules": rules_in_force(found, names),
        "first_months": use,
        "history": trail(found, names),
        "records": numbers(found),
    }


def _patient(patient: Patient) -> Json:
    return fields(
        patient, "reference", "given_name", "family_name", "birth_date", "address", "representative_name",
        "representative_relation", "therapy_started_on", "status",
    )  # fmt: skip


def _stamped(shown: Json, record: object, names: Names) -> Json:
    """The fields with when and by whom they were recorded."""
    by, at = getattr(record, "recorded_by_id", None), getattr(record, "recorded_at", None)
    return shown | {"recorded_at": plain(at), "recorded_by": names(by)}


def _coverage(found: Records, names: Names) -> Json | None:
    coverage = found.coverage
    if coverage is None:
        return None
    payer = found.payers.get(coverage.payer_id or 0)
    shown: Json = fields(coverage, "starts_on") | {"payer": payer.name if payer else None}
    return _stamped(shown, coverage, names)


def _order(found: Records, names: Names) -> Json | None:
    order = found.order
    if order is None:
        return None
    shown = fields(order, "prescriber_name", "prescriber_npi", "ordered_on", "ends_on")
    shown["items"] = [fields(item, "part_code", "quantity", "period_months") for item in found.order_items]
    return _stamped(shown, order, names)


def _device(found: Records, names: Names) -> Json | None:
    if found.device is None:
        return None
    shown = fields(
        found.device, "description", "serial", "pressure_low", "pressure_high", "humidifier", "supplied_on"
    )
    return _stamped(shown, found.device, names)


def _fitting(found: Records, names: Names) -> Json | None:
    visit = found.fitting
    if visit is None:
        return None
    shown = fields(visit, "fitted_on", "outcome", "size_kept")
    shown["mask_kept"] = str(found.items[visit.item_kept_id]) if visit.item_kept_id else None
    shown["tries"] = [
        fields(row, "position", "style", "size", "pressure", "lying", "leaks", "next_change")
        | {"item": str(found.items[row.item_id])}
        for row in sorted(found.tries, key=lambda row: row.position)
    ]
    return _stamped(shown, visit, names)


def _question(question: RefillQuestion, found: Records, names: Names) -> Json:
    shown = fields(question, "asked_at", "expires_at", "state", "closed_at")
    shown["parts"] = [
        fields(part, "kind", "part_code", "supply_ends_on") | {"description": described(part.part_code)}
        for part in found.parts
        if part.question_id == question.pk
    ]
    shown["messages"] = [_message(row) for row in found.messages if row.question_id == question.pk]
    return shown


def _message(message: Message) -> Json:
    shown = fields(message, "channel", "address", "subject", "body_text")
    return shown | {"sent_at": plain(message.finished_at)}


def _answer(answer: RefillAnswer, found: Records, names: Names) -> Json:
    """The answer with the items given from it; the patient's free note is not the payer's business."""
    shown = fields(
        answer, "wish", "still_using", "contacted_on", "answered_at", "channel", "answered_by", "relation",
        "handover", "is_late", "voided_at", "void_reason",
    )  # fmt: skip
    shown["items"] = [_answer_item(item) for item in found.answer_items if item.answer_id == answer.pk]
    return _stamped(shown, answer, names)


def _answer_item(item: RefillAnswerItem) -> Json:
    return fields(item, "kind", "part_code", "description", "wanted", "quantity", "need", "condition", "left")


def _dispense(found: Records, known: Known, names: Names) -> Json:
    given = found.dispense
    shown = fields(
        given, "dispensed_on", "given", "carrier", "tracking_id", "delivery_address", "parcel", "parcel_on",
        "voided_at", "void_reason",
    )  # fmt: skip
    shown |= {"number": given.number, "is_ours": given.supplied_by == SuppliedBy.US}
    shown["lines"] = [_line(line, found, known, names) for line in found.lines]
    return _stamped(shown, given, names)


def _line(line: DispenseLine, found: Records, known: Known, names: Names) -> Json:
    shown = fields(
        line, "position", "part_code", "kind", "quantity", "lot", "serial", "expires_on", "first_use_on",
        "size_kept", "family", "contains", "billed", "exception_reason", "exception_stops", "notice",
        "notice_on", "voided_at", "void_reason",
    )  # fmt: skip
    payer = found.payers.get(line.billed_to_id or 0)
    shown |= {
        "description": described(line.part_code),
        "item": str(found.items[line.item_id]) if line.item_id else None,
        "billed_to": payer.name if payer else None,
        "answer_item": f"refill answer item {line.answer_item_id}" if line.answer_item_id else None,
        "exchange_of": line_ref(line.exchange_of_id) if line.exchange_of_id else None,
        "published_rule": None if line.is_voided else published_check(line, found, known),
    }
    return _stamped(shown, line, names)


def _earlier(line: DispenseLine, found: Records, names: Names) -> Json:
    given = found.given_before[line.dispense_id]
    shown = fields(line, "kind", "part_code", "quantity", "billed")
    shown |= {"dispense": given.number, "dispensed_on": plain(given.dispensed_on)}
    return _stamped(shown, line, names)


def _event(event: Event, names: Names) -> Json:
    shown = fields(event, "event", "kind", "on", "until", "family", "by_patient")
    return _stamped(shown, event, names)


def _proof(found: Records, names: Names) -> Json | None:
    if found.proof is None:
        return None
    shown = fields(found.proof, "method", "delivered_on", "signed_by", "relation", "carrier_record")
    return _stamped(shown, found.proof, names)
