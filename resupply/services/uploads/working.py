"""The worker's side of uploads: claim one, check or write it, and leave what came of it.

1. A worker *claims* an upload that nobody holds: the claim raises the row's fence and leases it. One upload
   is worked on at a time, so that other work of the queue goes on beside it.
2. While it works, its pulse (`pulse`) moves the lease on. A worker that is killed leaves the row to the next.
3. A check is a dry run, taken back; what it found is stored afterwards, only with the fence. A write marks
   the upload as written in the very transaction that wrote the rows, only with the fence. So work that was
   cut off is done again, and nothing is ever written twice.

What goes wrong with every attempt is stopped and shown, and may be tried again by hand. Lists that nobody
decides on are given up after `KEPT`.
"""

import logging
from datetime import datetime, timedelta
from functools import partial

from django.contrib.auth import get_user_model
from django.db import transaction
from django.db.models import F

from resupply.models import ImportBatch, Upload, UploadState
from resupply.services.importing.importer import Import, import_rows
from resupply.services.importing.report import Report
from resupply.services.pulse import Claim, LeaseLost, Pulse, take, unheld
from resupply.services.uploads.contents import Contents, empty, read_upload, store_check, summary

log = logging.getLogger(__name__)

MOST_ATTEMPTS = 3
MOST_ROWS = 50_000
"""Rows of all files of one upload together."""
KEPT = timedelta(days=14)
"""How long a list that was not written is kept: it holds patients' data."""

_STARTS: dict[str, str] = {
    UploadState.WAITING: UploadState.CHECKING,
    UploadState.CHECKING: UploadState.CHECKING,
    UploadState.ACCEPTED: UploadState.WRITING,
    UploadState.WRITING: UploadState.WRITING,
}


def work(*, now: datetime) -> bool:
    """Work on one upload; False where none is to be worked on. Safe to run twice or by two at once."""
    settle(now=now)
    held = claim(now=now)
    if held is None:
        return False
    with Pulse(held, now=now) as pulse:
        try:
            _do(held, pulse)
        except LeaseLost:
            log.warning("upload %s: its claim was lost, nothing was written", held.row_id)
        except (
            Exception
        ) as error:  # it must not stop other work; the text of an error may hold patients' data
            log.error("upload %s: %s", held.row_id, type(error).__name__)
            _let_go(held)
    return True


def settle(*, now: datetime) -> None:
    """Stop what failed with every attempt, and give up what nobody decided on."""
    unheld(Upload, _STARTS, now=now).filter(attempts__gte=MOST_ATTEMPTS).update(
        state=UploadState.FAILED, leased_until=None, progress={}
    )
    with transaction.atomic():
        old = Upload.objects.filter(
            state__in=[UploadState.CHECKED, UploadState.FAILED], uploaded_at__lte=now - KEPT
        )
        for upload in old.select_for_update(skip_locked=True):
            empty(upload)
            Upload.objects.filter(pk=upload.pk).update(state=UploadState.DROPPED, fence=F("fence") + 1)


def claim(*, now: datetime) -> Claim | None:
    """Take the next upload (`pulse.take`), unless one is being worked on."""
    return take(Upload, _STARTS, now=now, anew=True)


def _do(held: Claim, pulse: Pulse) -> None:
    """Read the files and import them: dry for a check, else for good."""
    upload = Upload.objects.get(pk=held.row_id)
    report = Report()
    pulse.tell("read", 0, 0)
    found = read_upload(upload, report)
    pulse.tell("read", found.count, found.count)
    if found.count > MOST_ROWS:
        wrong = f"the list has {found.count:,} rows"
        report.add("", 0, "", "", wrong, f"send at most {MOST_ROWS:,} at once: divide it by patients")
    is_write = held.state == UploadState.WRITING
    how = Import(
        commit=is_write,
        now=pulse.moment(),
        by=get_user_model().objects.get(pk=upload.accepted_by_id) if upload.accepted_by_id else None,
        mail_consent=upload.mail_consent,
        file_names=sorted({file.file_name for file in upload.files.filter(part="sent")}),
        tell=pulse.tell,
        done=partial(_finish_write, held, upload, found, report),
    )
    if found.count <= MOST_ROWS:
        import_rows(found.rows, report, how)
    if not report.committed:
        _finish_check(held, upload, found, report)


def _finish_check(held: Claim, upload: Upload, found: Contents, report: Report) -> None:
    """Store what a check found, or a write that met new faults: the record may have changed in between."""
    with transaction.atomic():
        _mark(held, state=UploadState.CHECKED, report=summary(found, report), attempts=0)
        store_check(upload, found, report)


def _finish_write(
    held: Claim, upload: Upload, found: Contents, report: Report, batch: ImportBatch | None
) -> None:
    """Mark the upload as written, in the transaction that wrote its rows."""
    _mark(held, state=UploadState.COMMITTED, report=summary(found, report), batch=batch)
    empty(upload)


def _mark(held: Claim, **changes: object) -> None:
    """Change the claimed row. Raises LeaseLost where the claim is not the newest."""
    if held.row().update(**changes, leased_until=None, progress={}) != 1:
        raise LeaseLost


def _let_go(held: Claim) -> None:
    """Leave a row to the next ring; the attempt counts."""
    held.row().update(leased_until=None, progress={})
