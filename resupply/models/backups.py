"""Backups: one row for each that was made or broke off, for the status page."""

from django.db import models
from django.db.models import Q


class Backup(models.Model):
    """One backup: finished, or broken off with its error.

    The row is written after the snapshot: a restored clinic does not know of the backup it came from.
    `file_name` is the name alone, without its folder; `digest` is the SHA-256 of the file.
    """

    began_at = models.DateTimeField()
    finished_at = models.DateTimeField(null=True)
    file_name = models.CharField(max_length=200)
    file_size = models.PositiveBigIntegerField(null=True)
    rows = models.PositiveBigIntegerField(null=True)
    key_id = models.CharField(max_length=16, blank=True)
    digest = models.CharField(max_length=64, blank=True)
    error = models.CharField(max_length=200, blank=True)

    class Meta:
        indexes = [models.Index(fields=["-began_at"], name="backup_newest")]
        constraints = [
            models.CheckConstraint(
                condition=Q(finished_at=None) | (Q(error="") & ~Q(digest="")),
                name="finished_backup_has_a_digest",
            )
        ]

    def __str__(self) -> str:
        return f"backup {self.pk}"
