"""`manage.py read_bounces`: mails that came back, from a maildir, an mbox or standard input."""

import mailbox
import sys
from argparse import ArgumentParser
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from resupply import clock
from resupply.rules.delivery_notices import read
from resupply.services.bounces import record_notice


class Command(BaseCommand):
    """Reads delivery status notifications (RFC 3464). Nothing is removed, and reading one twice changes
    nothing.
    """

    help = "Record mails that came back: --maildir FOLDER, --mbox FILE, or one mail on standard input."
    requires_system_checks = ()  # a mail server may run this for every mail

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Where the mails are."""
        where = parser.add_mutually_exclusive_group()
        where.add_argument("--maildir", type=Path, help="a folder with cur, new and tmp")
        where.add_argument("--mbox", type=Path, help="a file of mails")

    def handle(self, *args: Any, **options: Any) -> None:
        """Read all mails and say how many were about ours; never whose."""
        seen = ours = 0
        for content in _mails(options["maildir"], options["mbox"]):
            seen += 1
            notice = read(content)
            ours += notice is not None and record_notice(notice, now=clock.now())
        self.stdout.write(f"read {seen}, about our mails {ours}")


def _mails(maildir: Path | None, mbox: Path | None) -> Iterator[bytes]:
    for place in (maildir, mbox):
        if place is not None and not place.exists():
            raise CommandError(f"There is nothing at {place}.")
    if maildir is not None:
        box: Any = mailbox.Maildir(str(maildir), create=False)
    elif mbox is not None:
        box = mailbox.mbox(str(mbox), create=False)
    else:
        yield sys.stdin.buffer.read()
        return
    for key in sorted(box.keys()):
        yield box.get_bytes(key)
