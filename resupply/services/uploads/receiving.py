"""What a person does with an upload. Each is one short transaction; the work itself is a worker's."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.models import FilePart, Upload, UploadFile, UploadState
from resupply.services.errors import Refused
from resupply.services.importing.columns import TABLES
from resupply.services.importing.report import Report
from resupply.services.uploads.contents import WORKBOOK, empty, read_file, table_for

MOST_BYTES = 20 * 1024 * 1024
"""Bytes of all files of one upload together."""

_NAMES = f"{', '.join(table.file for table in TABLES[:-1])} or {TABLES[-1].file}"


@dataclass(frozen=True, slots=True)
class Sent:
    """A file as a browser sends it."""

    name: str
    content: bytes


def receive(
    files: Sequence[Sent], *, by: AbstractBaseUser, now: datetime, mail_consent: bool = True
) -> Upload:
    """Keep files to be checked: one .xlsx, or CSV files named as tables.

    Raises Refused: `no_files`, `too_big`, `empty_file`, `unknown_file`, `twice`, `workbook_alone`.
    """
    tables = _tables(files)
    with transaction.atomic():
        upload = Upload.objects.create(uploaded_at=now, uploaded_by_id=by.pk, mail_consent=mail_consent)
        _keep(upload, FilePart.SENT, tables, files)
    return upload


def take_back_mended(upload: Upload, files: Sequence[Sent]) -> Upload:
    """Take in rows that were handed back, mended; the upload is checked again with them.

    Raises Refused as `receive`, and `not_checked`, `unreadable` (a file that cannot be read as a whole takes
    no rows out).
    """
    tables = _tables(files)
    for table, file in zip(tables, files, strict=True):
        _check_readable(table, file)
    with transaction.atomic():
        upload = _locked(upload)
        if upload.state != UploadState.CHECKED:
            raise Refused(
                "not_checked", "This list is not waiting for corrected rows. Look where it stands now."
            )
        upload.files.filter(part=FilePart.RETURNED).delete()
        _keep(upload, FilePart.RETURNED, tables, files)
        _set(upload, UploadState.WAITING)
    return upload


def accept(upload: Upload, *, by: AbstractBaseUser) -> Upload:
    """Let a checked list be written.

    Raises Refused: `not_checked`, `has_errors`, `nothing_new`.
    """
    with transaction.atomic():
        upload = _locked(upload)
        if upload.state != UploadState.CHECKED:
            raise Refused("not_checked", "This list is not waiting to be imported. Look where it stands now.")
        if upload.report.get("errors"):
            raise Refused(
                "has_errors", "Rows of this list are at fault: correct them first. Nothing was imported."
            )
        if not any((*upload.report["added"].values(), *upload.report["changed"].values())):
            raise Refused("nothing_new", "Everything in this list is on record already.")
        upload.accepted_by_id = by.pk
        _set(upload, UploadState.ACCEPTED)
    return upload


def give_up(upload: Upload) -> Upload:
    """Drop a list that was not written, and what its files hold. Once dropped, it stays so.

    A worker that is checking it finds its claim gone. Raises Refused `being_written` once it may be too late.
    """
    with transaction.atomic():
        upload = _locked(upload)
        if upload.state in (UploadState.ACCEPTED, UploadState.WRITING):
            raise Refused("being_written", "This list is being imported. Once it is, it can be undone.")
        if upload.state == UploadState.COMMITTED:
            raise Refused("written", "This list has been imported. It can be undone as a whole.")
        empty(upload)
        _set(upload, UploadState.DROPPED)
    return upload


def try_again(upload: Upload) -> Upload:
    """Check a list again that was stopped by a fault. Raises Refused `not_stopped`."""
    with transaction.atomic():
        upload = _locked(upload)
        if upload.state != UploadState.FAILED:
            raise Refused("not_stopped", "This list was not stopped. Look where it stands now.")
        _set(upload, UploadState.WAITING)
    return upload


def _locked(upload: Upload) -> Upload:
    """The row as it is now, held until the transaction ends."""
    return Upload.objects.select_for_update(of=("self",)).get(pk=upload.pk)


def _set(upload: Upload, state: str) -> None:
    """Move an upload on; whoever held it holds it no longer."""
    upload.state = state
    upload.fence += 1
    upload.attempts, upload.leased_until, upload.progress = 0, None, {}
    upload.save(update_fields=["state", "fence", "attempts", "leased_until", "progress", "accepted_by"])


def _tables(files: Sequence[Sent]) -> list[str]:
    """The table of each file; refuses what cannot be read together."""
    if not files:
        raise Refused("no_files", "Choose the files of the list.", "sent")
    if sum(len(file.content) for file in files) > MOST_BYTES:
        most = MOST_BYTES // 1024 // 1024
        raise Refused("too_big", f"Files may have {most} MB together. Divide the list.", "sent")
    tables = []
    for file in files:
        name, table = file.name[:120], table_for(file.name)
        if table is None:
            raise Refused(
                "unknown_file", f"{name} is not read. Send one .xlsx, or CSV files named {_NAMES}.", "sent"
            )
        if not file.content:
            raise Refused("empty_file", f"{name} is empty. Leave it out, or save it again.", "sent")
        if table in tables:
            raise Refused("twice", f"Two files are for {table}. Send one of them.", "sent")
        tables.append(table)
    if WORKBOOK in tables and len(tables) > 1:
        raise Refused("workbook_alone", "Send a workbook alone: its sheets are the whole list.", "sent")
    return tables


def _keep(upload: Upload, part: str, tables: Sequence[str], files: Sequence[Sent]) -> None:
    UploadFile.objects.bulk_create(
        UploadFile(upload=upload, part=part, table=table, file_name=file.name[:120], content=file.content)
        for table, file in zip(tables, files, strict=True)
    )


def _check_readable(table: str, file: Sent) -> None:
    """Refuse mended rows of which some could be lost in reading."""
    report = Report()
    read_file(table, file.name, file.content, report)
    if report.errors:
        first = report.errors[0]
        place = f", row {first.row}" if first.row else ""
        raise Refused("unreadable", f"{first.file}{place}: {first.wrong}. Do this: {first.mend}.", "sent")
