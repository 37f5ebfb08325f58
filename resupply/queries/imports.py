"""Imports as they are shown: lists on their way, batches that were written, and what a check found."""

from dataclasses import dataclass

from django.db.models import Prefetch

from resupply.models import FilePart, ImportBatch, Upload, UploadFile, UploadProblem, UploadState

PAGE = 50
_ENDED = (UploadState.COMMITTED, UploadState.DROPPED)


@dataclass(frozen=True, slots=True)
class Batches:
    """A page of written imports, newest first; `after` leads to older ones (None: there are none)."""

    rows: list[ImportBatch]
    after: int | None


def batches(*, after: int | None = None) -> Batches:
    """The imports that were written, from a browser or a terminal, undone ones too. One query."""
    found = ImportBatch.objects.select_related("imported_by", "undone_by").defer("before")
    if after is not None:
        found = found.filter(pk__lt=after)
    rows = list(found.order_by("-pk")[: PAGE + 1])
    return Batches(rows[:PAGE], rows[PAGE - 1].pk if len(rows) > PAGE else None)


def on_their_way() -> list[Upload]:
    """Uploads that are neither written nor given up, newest first, with the names of their files."""
    found = Upload.objects.exclude(state__in=_ENDED).select_related("uploaded_by")
    return list(found.prefetch_related(_names()).order_by("-pk")[:PAGE])


def sent_names(upload: Upload) -> list[str]:
    """Names of the files as they were sent, each once."""
    names = upload.files.filter(part=FilePart.SENT).order_by("id").values_list("file_name", flat=True)
    return list(dict.fromkeys(names))


def _names() -> "Prefetch[str]":
    sent = UploadFile.objects.filter(part=FilePart.SENT).defer("content").order_by("id")
    return Prefetch("files", queryset=sent, to_attr="sent")


@dataclass(frozen=True, slots=True)
class Problems:
    """A page of what a check found; `before` and `after` lead to the pages beside it (None: none)."""

    rows: list[UploadProblem]
    before: int | None
    after: int | None


def problems(
    upload: Upload, *, warnings: bool, after: int | None = None, before: int | None = None
) -> Problems:
    """Faults, or warnings, in the order of files and rows. One query."""
    found = upload.problems.filter(is_warning=warnings)
    if before is not None:
        rows = list(found.filter(pk__lt=before).order_by("-pk")[: PAGE + 1])
        has_more, rows = len(rows) > PAGE, rows[:PAGE][::-1]
        return Problems(rows, rows[0].pk if has_more else None, rows[-1].pk if rows else None)
    rows = list(found.filter(pk__gt=after or 0).order_by("pk")[: PAGE + 1])
    has_more, rows = len(rows) > PAGE, rows[:PAGE]
    return Problems(rows, rows[0].pk if rows and after else None, rows[-1].pk if has_more else None)


def failed_file(upload: Upload, table: str) -> bytes | None:
    """The rows at fault of a table as CSV; None where there are none."""
    file = upload.files.filter(part=FilePart.FAILED, table=table).first()
    return bytes(file.content) if file else None
