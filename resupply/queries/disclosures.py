"""An accounting of disclosures of one patient's records: what the program knows of, and what it does not.

45 CFR 164.528 asks for date, recipient (with address if known), what was disclosed and why, for six years
back, and leaves out, among others, what was disclosed for treatment, payment and operations, to the patient,
or with the patient's authorisation. Whether a program reads for treatment, or where a list went that was
taken out, is for the clinic to say: each row carries what is known and a reason why it may be left out.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime

from resupply.models import EvidencePacket, Patient, PatientRead, ReadKind, SharedRecord, SharedResource
from resupply.queries.names import staff_name
from resupply.rules.retention import ACCOUNTING_YEARS, years_before

_FILES = {
    "book": "list of what was dispensed",
    "history": "list of who saw and changed what",
    "missing": "list of parts never given",
    "overdue": "overdue list",
    "overdue past": "overdue list of a past day",
    "recall reach": "list of whom a recall concerns",
    "slip": "delivery slip",
    "worklist": "list of Today",
}
_FORMS = {"csv": "CSV", "json": "JSON", "pdf": "PDF", "xlsx": "workbook"}


@dataclass(frozen=True, slots=True)
class Disclosure:
    """One disclosure: when, to whom (empty: not on record), what, why, and whether the law asks for it.

    `asked_for`: "yes unless treatment", "no: payment", "only if it left the clinic".
    """

    at: datetime
    way: str
    to: str
    what: str
    purpose: str
    asked_for: str


def accounting(patient: Patient, *, today: date) -> list[Disclosure]:
    """Every disclosure of the last six years, the newest first. Three queries."""
    since = years_before(today, ACCOUNTING_YEARS)
    rows = [*_by_programs(patient, since), *_packets(patient, since), *_taken_out(patient, since)]
    return sorted(rows, key=lambda row: row.at, reverse=True)


def _by_programs(patient: Patient, since: date) -> Iterable[Disclosure]:
    rows = SharedRecord.objects.filter(patient=patient, read__at__date__gte=since)
    for row in rows.select_related("read__integration").order_by("-pk"):
        program = row.read.integration
        what = f"{row.count} × {SharedResource(row.read.resource).label}"
        yield Disclosure(row.read.at, "program", program.name, what, program.purpose, "yes unless treatment")


def _packets(patient: Patient, since: date) -> Iterable[Disclosure]:
    rows = EvidencePacket.objects.filter(patient=patient, known_at__date__gte=since)
    for row in rows.select_related("dispense").only("number", "known_at", "dispense", "patient"):
        what = f"evidence packet {row.name} about slip {row.dispense.number}"
        yield Disclosure(row.known_at, "packet", "", what, "a payer's audit", "no: payment")


def _taken_out(patient: Patient, since: date) -> Iterable[Disclosure]:
    rows = PatientRead.objects.filter(
        patients__contains=[patient.pk], kind=ReadKind.FILE, at__date__gte=since
    ).exclude(page__startswith="manager:packet")
    for row in rows.select_related("user").defer("patients").order_by("-pk"):
        by = staff_name(row.user) or "the program"
        what = f"{file_words(row.page)}, taken out by {by}"
        yield Disclosure(row.at, "file", "", what, "", "only if it left the clinic")


def file_words(page: str) -> str:
    """What was taken out, from the page (or job) that the read log names.

    >>> file_words("desk:slip_pdf"), file_words("manager:overdue_xlsx"), file_words("job: overdue_past")
    ('delivery slip (PDF)', 'overdue list (workbook)', 'overdue list of a past day')
    """
    words = page.rpartition(":")[2].strip().replace("_", " ")
    name, _, form = words.rpartition(" ")
    if form in _FORMS:
        return f"{_FILES.get(name, name)} ({_FORMS[form]})"
    return _FILES.get(words, words)
