"""Build evidence packets again and compare them with what was handed out; reads, writes nothing.

A line on standard output for each packet that does not hold, with the records and fields that differ (no
names of patients, no values), and the number of those that do. The exit code is 1 where one does not hold.
"""

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from resupply.models import EvidencePacket
from resupply.services.packets import Checked, check_packet


class Command(BaseCommand):
    """verify_packets [NUMBER ...]"""

    requires_system_checks = []  # pages have no part in this, and loading them takes longer than the job
    help = "Build evidence packets again from the records and compare."

    def add_arguments(self, parser: CommandParser) -> None:
        """Declare the options."""
        parser.add_argument("numbers", nargs="*", help="such as E000012; none: every packet")

    def handle(self, *args: Any, **options: Any) -> None:
        """Check one by one."""
        rows = EvidencePacket.objects.order_by("number")
        if options["numbers"]:
            rows = rows.filter(number__in=[_number(text) for text in options["numbers"]])
        held, failed = 0, 0
        for packet in rows.iterator(chunk_size=20):
            checked = check_packet(packet)
            if checked.holds:
                held += 1
                continue
            failed += 1
            for line in _found(checked):
                self.stdout.write(f"{packet.name}: {line}")
        self.stdout.write(f"{held} packets hold, {failed} do not.")
        if failed:
            raise CommandError("Not every packet holds.")


def _number(text: str) -> int:
    digits = text.removeprefix("E")
    if not (digits.isascii() and digits.isdigit() and len(digits) < 10):
        raise CommandError(f"{text!r} is no packet's number; write it like E000012")
    return int(digits)


def _found(checked: Checked) -> list[str]:
    """What to say of a packet that does not hold."""
    lines = [
        words
        for words, holds in [
            ("the document kept does not have its SHA-256 any more", checked.document_kept),
            ("the paper kept does not have its SHA-256 any more", checked.paper_kept),
            ("the document built again differs", checked.document_again),
            ("the paper built again differs", checked.paper_again),
            ("it was made by another version of the program", checked.same_program),
        ]
        if not holds
    ]
    return lines + [
        f"{row.why}: {row.record or row.section} {row.field}".rstrip() for row in checked.differences
    ]
