"""Jobs: work in the background that a member of staff asked for, its progress, and the file at its end."""

import uuid

from django.conf import settings
from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import Q


class JobState(models.TextChoices):
    """How far a job has come."""

    WAITING = "waiting", "Waiting for a worker"
    RUNNING = "running", "Being worked on"
    DONE = "done", "Done"
    FAILED = "failed", "Stopped"
    DROPPED = "dropped", "Given up"


class Job(models.Model):
    """One piece of work in the background. The row is the truth; the queue is a doorbell.

    `kind` names the registered work (`services.jobs.register`), `params` hold ids and ISO dates only. A claim
    raises `fence` and holds the row until `leased_until`, as with uploads. `left_at` says where the next
    attempt goes on; the chunks of its file kept until there are its `parts`. Only who asked sees it, as long
    as `permission` and the locations (`location_ids`, empty: all) are still theirs.
    """

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    kind = models.CharField(max_length=40)
    title = models.CharField(max_length=120)
    """What it is, in words without patient data."""
    params = models.JSONField(default=dict)
    permission = models.CharField(max_length=40)
    location_ids = ArrayField(models.BigIntegerField(), default=list)
    back_url = models.CharField(max_length=200, blank=True)
    """The path its page leads back to."""
    asked_at = models.DateTimeField()
    asked_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    state = models.CharField(max_length=8, choices=JobState, default=JobState.WAITING)
    progress = models.JSONField(default=dict)
    left_at = models.JSONField(default=dict)
    outcome = models.CharField(max_length=300, blank=True)
    """What came of it, or why it stopped, in words without patient data."""
    file_name = models.CharField(max_length=120, blank=True)
    file_type = models.CharField(max_length=100, blank=True)
    file_size = models.PositiveBigIntegerField(null=True)
    """Bytes; None: there is no file, or not any more."""
    finished_at = models.DateTimeField(null=True)
    leased_until = models.DateTimeField(null=True)
    fence = models.PositiveIntegerField(default=0)
    attempts = models.PositiveSmallIntegerField(default=0)

    class Meta:
        indexes = [
            models.Index(fields=["id"], name="job_to_work_on", condition=Q(state__in=["waiting", "running"])),
            models.Index(fields=["asked_by", "-id"], name="job_of_a_person"),
        ]

    def __str__(self) -> str:
        return f"job {self.public_id}"


class JobPart(models.Model):
    """A chunk of a job's file, in order; they hold patients' data and go after a time."""

    job = models.ForeignKey(Job, models.CASCADE, related_name="parts", db_index=False)
    position = models.PositiveIntegerField()
    content = models.BinaryField()

    class Meta:
        ordering = ["job_id", "position"]
        constraints = [models.UniqueConstraint(fields=["job", "position"], name="job_part_once")]

    def __str__(self) -> str:
        return f"job part {self.pk}"
