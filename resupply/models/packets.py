"""Evidence packets: what was on record about one dispense at a moment, as handed to a payer's audit."""

import uuid

import pgtrigger
from django.conf import settings
from django.db import models

from resupply.models.dispensing import Dispense
from resupply.models.people import Patient


class EvidencePacket(models.Model):
    """One packet, made once and never changed; `number` runs without gaps.

    `document` (JSON, compressed) and `paper` (PDF) are kept as they were handed out, with the SHA-256 and the
    size in bytes of each. The document can be built again from the records: `marks` say how far the history
    of each table had come, and `kept` holds what has no history (the clinic's name, names of staff, numbers
    of the messages sent). `program` is a digest of what puts a document together; where a later program has
    another one, a difference may come from it.
    """

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    number = models.PositiveIntegerField(unique=True)
    patient = models.ForeignKey(Patient, models.PROTECT, related_name="evidence_packets")
    dispense = models.ForeignKey(Dispense, models.PROTECT, related_name="evidence_packets")
    known_at = models.DateTimeField()
    """The moment it was made: what was recorded by then, and not voided by then, is in it."""
    asked_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    format = models.PositiveSmallIntegerField()
    program = models.CharField(max_length=64)
    marks = models.JSONField()
    kept = models.JSONField()
    document = models.BinaryField()
    document_sha256 = models.CharField(max_length=64)
    document_size = models.PositiveIntegerField()
    paper = models.BinaryField()
    paper_sha256 = models.CharField(max_length=64)
    paper_size = models.PositiveIntegerField()

    class Meta:
        indexes = [models.Index(fields=["patient", "-number"], name="evidence_packet_newest")]
        triggers = [pgtrigger.Protect(name="append_only", operation=pgtrigger.Update | pgtrigger.Delete)]

    def __str__(self) -> str:
        return f"evidence packet {self.public_id}"

    @property
    def name(self) -> str:
        """The number on its paper."""
        return f"E{self.number:06d}"
