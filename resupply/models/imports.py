"""Files brought in: uploads waiting to be committed, and the batches that were."""

import uuid

from django.conf import settings
from django.db import models
from django.db.models import Q

from resupply.models.base import tracked


@tracked
class ImportBatch(models.Model):
    """One committed import of files. Undone as a whole, its records are voided and stay readable."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    imported_at = models.DateTimeField()
    imported_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    file_names = models.JSONField(default=list)
    rows_added = models.JSONField(default=dict)
    before = models.JSONField(default=list)
    """What an undo gives back: the former fields of patients that the import changed."""
    undone_at = models.DateTimeField(null=True, blank=True)
    undone_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    undo_reason = models.CharField(max_length=300, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(undone_at=None, undo_reason="")
                | (Q(undone_at__isnull=False) & ~Q(undo_reason="")),
                name="import_undo_has_reason",
            )
        ]

    def __str__(self) -> str:
        return f"import {self.public_id}"


class UploadState(models.TextChoices):
    """How far an upload has come. A worker checks and commits; a page shows how far it is."""

    WAITING = "waiting", "Waiting to be checked"
    CHECKING = "checking", "Being checked"
    CHECKED = "checked", "Checked"
    ACCEPTED = "accepted", "Waiting to be written"
    WRITING = "writing", "Being written"
    COMMITTED = "committed", "Written"
    FAILED = "failed", "Stopped by a fault"
    DROPPED = "dropped", "Given up"


class Upload(models.Model):
    """Files sent from a browser, their check, and what became of them.

    A claim raises `fence` and holds the row until `leased_until`, as with messages.
    """

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    uploaded_at = models.DateTimeField()
    uploaded_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    state = models.CharField(max_length=10, choices=UploadState, default=UploadState.WAITING)
    accepted_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    mail_consent = models.BooleanField(default=True)
    progress = models.JSONField(default=dict)
    report = models.JSONField(default=dict)
    batch = models.OneToOneField(ImportBatch, models.PROTECT, null=True, blank=True, related_name="upload")
    leased_until = models.DateTimeField(null=True)
    fence = models.PositiveIntegerField(default=0)
    attempts = models.PositiveSmallIntegerField(default=0)

    class Meta:
        indexes = [
            models.Index(
                fields=["id"],
                name="upload_to_work_on",
                condition=Q(state__in=["waiting", "checking", "accepted", "writing"]),
            )
        ]

    def __str__(self) -> str:
        return f"upload {self.public_id}"


class FilePart(models.TextChoices):
    """What a file of an upload is."""

    SENT = "sent", "Sent by the clinic"
    FAILED = "failed", "Rows at fault, handed back"
    RETURNED = "returned", "Rows that came in again, not looked at yet"
    MENDED = "mended", "Rows that came in again and take the place of those at fault"


class UploadFile(models.Model):
    """One file of an upload. Once the upload is written or given up, nothing of it is left but its name.

    `table` is a table of the import, or `workbook` where one file holds several.
    """

    upload = models.ForeignKey(Upload, models.CASCADE, related_name="files")
    part = models.CharField(max_length=8, choices=FilePart, default=FilePart.SENT)
    table = models.CharField(max_length=20)
    file_name = models.CharField(max_length=120)
    content = models.BinaryField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["upload", "part", "table"], name="upload_has_a_table_once")
        ]

    def __str__(self) -> str:
        return f"upload file {self.pk}"


class UploadProblem(models.Model):
    """One fault or warning that the check of an upload found; it goes with the upload's files."""

    upload = models.ForeignKey(Upload, models.CASCADE, related_name="problems")
    file = models.CharField(max_length=120)
    row = models.PositiveIntegerField()
    """As a spreadsheet counts it (the header is 1); 0: the file as a whole."""
    column = models.CharField(max_length=200, blank=True)
    value = models.TextField(blank=True)
    wrong = models.TextField()
    mend = models.TextField()
    is_warning = models.BooleanField(default=False)

    class Meta:
        indexes = [models.Index(fields=["upload", "is_warning", "id"], name="upload_problem_page")]

    def __str__(self) -> str:
        return f"upload problem {self.pk}"
