"""One record as one FHIR R4 resource: plain dicts, only what is on record, nothing guessed.

Every resource carries a version worked out of its content, so that the same content always has the same
ETag. Not given out: addresses of mail and telephone beyond what a patient record needs, what patients wrote
in their own words, answers about implants, pressures (their codes differ between published lists).
"""

import hashlib
import json
from collections.abc import Mapping
from datetime import UTC, date, datetime

from resupply.delivery.fhir import codes
from resupply.models import Device, DispenseLine, Order, OrderItem, Patient, RefillQuestion
from resupply.rules.tables import part_types

Json = dict[str, object]


def patient_resource(patient: Patient, *, reference_system: str) -> Json:
    """A `Patient`; `reference_system` names the clinic's own numbers."""
    resource: Json = {
        "resourceType": "Patient",
        "id": str(patient.public_id),
        "identifier": [{"use": "usual", "system": reference_system, "value": patient.reference}],
        "active": patient.status == codes.ON_THERAPY,
        "name": [{"use": "official", "family": patient.family_name, "given": [patient.given_name]}],
        "birthDate": patient.birth_date.isoformat(),
        "communication": [
            {
                "language": {"coding": [{"system": codes.LANGUAGE, "code": patient.language}]},
                "preferred": True,
            }
        ],
    }
    telecom = [
        {"system": system, "value": value}
        for system, value in (("phone", patient.phone), ("email", patient.email))
        if value
    ]
    if telecom:
        resource["telecom"] = telecom
    if patient.address:
        resource["address"] = [{"text": " ".join(patient.address.split())}]
    if patient.representative_name:
        resource["contact"] = [
            {
                "name": {"text": patient.representative_name},
                **(
                    {"relationship": [{"text": patient.representative_relation}]}
                    if patient.representative_relation
                    else {}
                ),
            }
        ]
    if patient.status == codes.DIED:
        resource["deceasedBoolean"] = True
    return versioned(resource, at=None)


def device_resource(device: Device) -> Json:
    """A `Device`: a patient's PAP device."""
    resource: Json = {
        "resourceType": "Device",
        "id": str(device.public_id),
        "status": "entered-in-error" if device.is_voided else "active",
        "deviceName": [{"name": device.description, "type": "user-friendly-name"}],
        "patient": _subject(device.patient),
    }
    if device.serial:
        resource["serialNumber"] = device.serial
    return versioned(resource, at=device.voided_at or device.recorded_at)


def order_resource(item: OrderItem, *, today: date) -> Json:
    """A `DeviceRequest`: one part of a prescriber's order; over once its last day has passed."""
    order = item.order
    bounds = {"start": order.ordered_on.isoformat()}
    if order.ends_on:
        bounds["end"] = order.ends_on.isoformat()
    resource: Json = {
        "resourceType": "DeviceRequest",
        "id": f"{order.public_id}-{item.pk}",
        "contained": [
            {
                "resourceType": "Practitioner",
                "id": "prescriber",
                "identifier": [{"system": codes.NPI, "value": order.prescriber_npi}],
                "name": [{"text": order.prescriber_name}],
            }
        ],
        "groupIdentifier": {"system": "urn:ietf:rfc:3986", "value": f"urn:uuid:{order.public_id}"},
        "status": order_status(order, today=today),
        "intent": "order",
        "codeCodeableConcept": _part(item.part_code),
        "subject": _subject(order.patient),
        "occurrenceTiming": {
            "repeat": {
                "boundsPeriod": bounds,
                "frequency": item.quantity,
                "period": item.period_months,
                "periodUnit": "mo",
            }
        },
        "authoredOn": order.ordered_on.isoformat(),
        "requester": {"reference": "#prescriber"},
    }
    return versioned(resource, at=order.voided_at or order.recorded_at)


def order_status(order: Order, *, today: date) -> str:
    """`request-status` of an order."""
    if order.is_voided:
        return "entered-in-error"
    return "completed" if order.ends_on is not None and order.ends_on < today else "active"


def delivery_resource(line: DispenseLine) -> Json:
    """A `SupplyDelivery`: one line of a dispense. A voided one stays, and its status says why."""
    dispense = line.dispense
    supplied: Json = {
        "quantity": {"value": line.quantity, "unit": "each", "system": codes.UCUM, "code": "{each}"},
        "itemCodeableConcept": _part(line.part_code),
    }
    resource: Json = {
        "resourceType": "SupplyDelivery",
        "id": f"{dispense.public_id}-{line.position}",
        "identifier": [{"value": f"{dispense.number}-{line.position}"}],
        "status": delivery_status(line),
        "patient": _subject(dispense.patient),
        "type": {"coding": [{"system": codes.DISPENSE_TYPE, "code": "device"}]},
        "suppliedItem": supplied,
        "occurrenceDateTime": dispense.dispensed_on.isoformat(),
    }
    return versioned(resource, at=line.voided_at or dispense.voided_at or line.recorded_at)


def delivery_status(line: DispenseLine) -> str:
    """`supplydelivery-status` of a line. What a parcel that did not arrive took back was no error: it was
    abandoned. A line that was voided before is one. `queries/sharing.py` looks for the same.
    """
    dispense = line.dispense
    if not (line.is_voided or dispense.is_voided):
        return "completed"
    return "abandoned" if dispense.parcel and line.voided_at == dispense.voided_at else "entered-in-error"


def task_resource(question: RefillQuestion) -> Json:
    """A `Task`: one asking whether a refill is wanted, about which parts, and how it ended."""
    resource: Json = {
        "resourceType": "Task",
        "id": str(question.public_id),
        "status": codes.TASK_STATUS[question.state],
        "intent": "proposal",
        "code": {"text": "Ask the patient whether a refill is wanted"},
        "for": _subject(question.patient),
        "authoredOn": instant(question.asked_at),
        "lastModified": instant(question.closed_at or question.asked_at),
        "restriction": {"period": {"end": instant(question.expires_at)}},
    }
    parts = sorted(question.parts.all(), key=lambda part: part.kind)
    if parts:
        resource["input"] = [
            {"type": {"text": "part"}, "valueCodeableConcept": _part(part.part_code)} for part in parts
        ]
    if question.answer is not None and not question.answer.is_voided:
        resource["output"] = [{"type": {"text": "answer"}, "valueString": question.answer.get_wish_display()}]
    return versioned(resource, at=question.closed_at or question.asked_at)


def instant(moment: datetime) -> str:
    """An `instant`: UTC, to the millisecond."""
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def versioned(resource: Json, *, at: datetime | None) -> Json:
    """The resource with `meta`: a version from its content, and when it last changed, if known."""
    meta: Json = {"versionId": digest(resource)}
    if at is not None:
        meta["lastUpdated"] = instant(at)
    return {"resourceType": resource["resourceType"], "id": resource["id"], "meta": meta} | resource


def digest(content: Mapping[str, object]) -> str:
    """Sixteen hexadecimal digits that stand for a content."""
    text = json.dumps(content, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _subject(patient: Patient) -> Json:
    return {"reference": f"Patient/{patient.public_id}"}


def _part(code: str) -> Json:
    """A part by its billing code, with its name where the code is on file."""
    part = part_types().get(code)
    coding: Json = {"system": codes.HCPCS, "code": code}
    return {"coding": [coding], **({"text": part.name} if part else {})}
