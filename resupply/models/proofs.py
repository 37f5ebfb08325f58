"""Proof of delivery: who took the parts, when, and how that is known."""

import uuid

from django.db import models
from django.db.models import Q

from resupply.models.base import Voidable, tracked
from resupply.models.dispensing import Dispense


class ProofMethod(models.TextChoices):
    """How delivery is proved (42 CFR 424.57(c)(12))."""

    SIGNED = "signed", "Slip signed"
    CARRIER = "carrier", "Carrier's record"
    FACILITY = "facility", "Facility's record"


@tracked
class Proof(Voidable):
    """Proof that a dispense reached the patient; kept seven years from the date of service."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    dispense = models.ForeignKey(Dispense, models.PROTECT, related_name="proofs")
    method = models.CharField(max_length=8, choices=ProofMethod)
    delivered_on = models.DateField()
    signed_by = models.CharField(max_length=160, blank=True)
    relation = models.CharField(max_length=80, blank=True)
    """Relation of who signed to the patient; never staff of the clinic or anyone who gains by it."""
    carrier_record = models.CharField(max_length=120, blank=True)

    class Meta(Voidable.Meta):
        constraints = [
            *Voidable.Meta.constraints,
            models.UniqueConstraint(
                fields=["dispense"], condition=Q(voided_at=None), name="one_standing_proof_per_dispense"
            ),
            models.CheckConstraint(
                condition=~Q(method="signed") | (~Q(signed_by="") & ~Q(relation="")),
                name="signed_slip_names_the_signer",
            ),
        ]

    def __str__(self) -> str:
        return f"proof {self.public_id}"
