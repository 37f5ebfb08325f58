"""Proof of delivery: recorded, and taken back with a reason. Nothing deletes it.

A dispense has one standing proof. It is kept seven years from the date of service at least (`kept_until`);
the program keeps it for good.
"""

from dataclasses import dataclass
from datetime import date, datetime

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.models import Dispense, Given, Proof, ProofMethod, Staff, SuppliedBy
from resupply.rules import signers
from resupply.services import plans
from resupply.services.errors import Refused
from resupply.services.find_tokens import fold
from resupply.services.records import check_day, local_day, said, stamp, take_back


@dataclass(frozen=True, slots=True, kw_only=True)
class NewProof:
    """How delivery is proved. `record`: the carrier's confirmation, or where the facility noted it."""

    method: ProofMethod
    delivered_on: date
    signed_by: str = ""
    relation: str = ""
    record: str = ""


def record_proof(dispense: Dispense, new: NewProof, *, by: AbstractBaseUser | None, now: datetime) -> Proof:
    """Record that a dispense reached the patient.

    Raises Refused: `dispense_void`, `given_elsewhere`, `proved_already`, `future`, `before_dispense`,
    `other_day` (parts handed over in person are signed for that day), `signer_missing`, `relation_missing`,
    `staff_signed`, `record_missing`, `not_shipped`.
    """
    check_day(
        dispense.patient,
        new.delivered_on,
        today=local_day(now, dispense.location.time_zone),
        field="delivered_on",
    )
    _check_delivery(dispense, new)
    _check_evidence(dispense, new)
    with transaction.atomic():
        plans.lock_patients([dispense.patient_id])
        _check_standing(dispense)
        return Proof.objects.create(
            dispense=dispense,
            method=new.method,
            delivered_on=new.delivered_on,
            signed_by=_tidy(new.signed_by),
            relation=_tidy(new.relation),
            carrier_record=_tidy(new.record),
            **stamp(by, now),
        )


def void_proof(proof: Proof, *, reason: str, by: AbstractBaseUser | None, now: datetime) -> Proof:
    """Take a proof back; another can be recorded.

    Raises Refused `reason_missing`, `reason_long`, `already_void`.
    """
    with transaction.atomic():
        plans.lock_patients([proof.dispense.patient_id])
        take_back(proof, reason=reason, by=by, now=now)
    return proof


def _check_standing(dispense: Dispense) -> None:
    """Refuse a dispense that is void, or proved; the caller holds the lock."""
    dispense.refresh_from_db(fields=["voided_at"])
    if dispense.is_voided:
        raise Refused("dispense_void", "This dispense was voided: there is nothing to sign for.")
    if Proof.objects.filter(dispense=dispense, voided_at=None).exists():
        raise Refused("proved_already", "A proof of delivery is on record. If it is wrong, void it first.")


def _check_delivery(dispense: Dispense, new: NewProof) -> None:
    """Refuse a day or a way that the dispense rules out."""
    if dispense.supplied_by != SuppliedBy.US:
        raise Refused("given_elsewhere", "Another supplier gave these parts, and keeps the proof.")
    if dispense.given == Given.IN_PERSON and new.method == ProofMethod.CARRIER:
        raise Refused(
            "not_shipped", "These parts were handed over in person: the slip is signed for them.", "method"
        )
    if new.delivered_on < dispense.dispensed_on:
        raise Refused(
            "before_dispense",
            f"The parts left on {said(dispense.dispensed_on)} and cannot have arrived before.",
            "delivered_on",
        )
    if dispense.given == Given.IN_PERSON and new.delivered_on != dispense.dispensed_on:
        raise Refused(
            "other_day",
            f"The parts were handed over on {said(dispense.dispensed_on)}. If that day is wrong, void the "
            "dispense and log it with the right one.",
            "delivered_on",
        )


def _check_evidence(dispense: Dispense, new: NewProof) -> None:
    """Refuse a proof that names nobody, nothing, or someone who may not sign."""
    if new.method != ProofMethod.SIGNED and not new.record.strip():
        raise Refused("record_missing", "Enter where it is recorded that the parts arrived.", "record")
    if new.method == ProofMethod.SIGNED and not new.signed_by.strip():
        raise Refused("signer_missing", "Enter the name of who signed, as printed on the slip.", "signed_by")
    if new.signed_by.strip() and not new.relation.strip():
        raise Refused("relation_missing", "Enter the relation to the patient, or “self”.", "relation")
    staff = {
        _folded(member.user.get_full_name())
        for member in Staff.objects.filter(user__is_active=True).select_related("user")
    }
    refusal = signers.refusal(
        _folded(new.signed_by),
        _folded(new.relation),
        patient=_folded(dispense.patient.name),
        staff=staff - {""},
    )
    if refusal is not None:
        raise Refused("staff_signed", _WHO_MAY_NOT[refusal], _FIELDS[refusal])


_WHO_MAY_NOT = {
    signers.Refusal.RELATION: "The supplier, its staff, a carrier and anyone with a financial interest "
    "cannot sign. If a carrier or a facility recorded the delivery, choose that record instead.",
    signers.Refusal.STAFF: "A member of staff has this name, and staff cannot sign for a patient. Record who "
    "took the parts.",
}
_FIELDS = {signers.Refusal.RELATION: "relation", signers.Refusal.STAFF: "signed_by"}


def _tidy(text: str) -> str:
    """A text without blanks around and doubled inside."""
    return " ".join(text.split())


def _folded(text: str) -> str:
    return fold(_tidy(text))
