"""Evidence packets: made once, and checked as often as one likes.

A packet is made under the locks that the writers of its records take, so that its marks cut their history
where nobody is writing. Checking it builds the document again from change history up to those marks, and
holds the records of today against their own history.
"""

import zlib
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from functools import cache
from hashlib import sha256
from json import loads
from pathlib import Path

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import connection, transaction
from django.db.models import Max, Q

from resupply.delivery.packets import packet_pdf
from resupply.models import (
    CatalogueItem,
    Coverage,
    Dispense,
    DispenseLine,
    EvidencePacket,
    Fitting,
    FittingTry,
    Location,
    Payer,
    SuppliedBy,
)
from resupply.queries import packets as queries
from resupply.queries.as_known import take_marks
from resupply.queries.packets import Difference, Json, Kept, Names
from resupply.services import plans
from resupply.services.errors import Refused

_NUMBERS = 7_260_418_005
"""Key of the advisory lock under which packets take their numbers."""
_HERE = Path(__file__).parent.parent
_PUT_TOGETHER_BY = (
    *("rules/*.py", "rules/*.toml", "queries/packets/*.py", "delivery/packets/*.py", "delivery/*words.py"),
    *("queries/as_known.py", "queries/facts.py", "queries/ledgers.py", "queries/nights.py"),
    *("queries/slips.py", "delivery/pdf.py"),
)


@dataclass(frozen=True, slots=True)
class Checked:
    """What a check found. `document_kept`, `paper_kept`: the bytes kept still have their SHA-256.

    `document_again`, `paper_again`: built again they are the same, to the byte. `same_program`: this program
    puts packets together as the one that made it; where it does not, `differences` in the document may come
    from the program. `differences` name records and fields.
    """

    document_kept: bool
    paper_kept: bool
    document_again: bool
    paper_again: bool
    same_program: bool
    differences: tuple[Difference, ...]

    @property
    def holds(self) -> bool:
        """Whether everything is as it was."""
        again = self.document_again and self.paper_again
        return self.document_kept and self.paper_kept and again and not self.differences


def make_packet(
    dispense: Dispense, *, clinic_name: str, by: AbstractBaseUser | None, now: datetime
) -> EvidencePacket:
    """Make a packet about a dispense, as known now. Raises Refused `given_elsewhere`."""
    if dispense.supplied_by != SuppliedBy.US:
        raise Refused("given_elsewhere", "Another supplier gave these parts, and keeps the evidence.")
    with transaction.atomic():
        plans.lock_patients([dispense.patient_id])
        _lock_shared(dispense)
        marks = take_marks(queries.TRACKED)
        kept = queries.keep(dispense, clinic_name=clinic_name, known_at=now)
        names = Names(kept.staff)
        number = _next_number()
        document = queries.document(
            queries.gather(dispense.pk, marks=marks, known_at=now, kept=kept),
            number=f"E{number:06d}",
            asked_by=names(by.pk if by is not None else None),
            names=names,
        )
        content, paper = queries.canonical(document), packet_pdf(document)
        return EvidencePacket.objects.create(
            number=number,
            patient_id=dispense.patient_id,
            dispense=dispense,
            known_at=now,
            asked_by_id=by.pk if by is not None else None,
            format=queries.FORMAT,
            program=program_digest(),
            marks=marks,
            kept=asdict(replace(kept, staff=names.used)),
            document=zlib.compress(content, 9),
            document_sha256=sha256(content).hexdigest(),
            document_size=len(content),
            paper=paper,
            paper_sha256=sha256(paper).hexdigest(),
            paper_size=len(paper),
        )


def document_of(packet: EvidencePacket) -> bytes:
    """The JSON that was handed out. Raises ValueError where the bytes kept cannot be read any more."""
    try:
        return zlib.decompress(bytes(packet.document))
    except zlib.error as error:
        raise ValueError("the document kept cannot be unpacked") from error


def read_document(packet: EvidencePacket) -> Json:
    """What was handed out, read. Raises ValueError where the bytes kept are damaged."""
    document: Json = loads(document_of(packet))
    return document


def check_packet(packet: EvidencePacket) -> Checked:
    """Build a packet again and compare; reads, writes nothing."""
    kept, again, gone = _kept_document(packet), None, ""
    try:
        again, found = _again(packet)
        touched = queries.touched_since(found)
    except LookupError as error:
        gone, touched = str(error), []
    differing = [*touched]
    if gone:
        differing.append(Difference("gone", "", gone, ""))
    elif kept is not None and again is not None:
        differing += queries.differences(kept, again)
    bytes_again = queries.canonical(again) if again is not None else b""
    return Checked(
        document_kept=kept is not None,
        paper_kept=sha256(bytes(packet.paper)).hexdigest() == packet.paper_sha256,
        document_again=sha256(bytes_again).hexdigest() == packet.document_sha256,
        paper_again=again is not None and sha256(packet_pdf(again)).hexdigest() == packet.paper_sha256,
        same_program=packet.program == program_digest() and packet.format == queries.FORMAT,
        differences=tuple(differing),
    )


@cache
def program_digest() -> str:
    """SHA-256 over the files that put a packet together: rules with their tables, facts, words, the paper.

    Read once a process.
    """
    digest = sha256()
    for pattern in _PUT_TOGETHER_BY:
        for path in sorted(_HERE.glob(pattern)):
            digest.update(path.relative_to(_HERE).as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()


def _again(packet: EvidencePacket) -> tuple[Json, queries.Records]:
    """The document built again, and the records behind it."""
    kept = Kept(**packet.kept)
    names = Names(kept.staff)
    found = queries.gather(packet.dispense_id, marks=packet.marks, known_at=packet.known_at, kept=kept)
    asked_by = names(packet.asked_by_id)
    return queries.document(found, number=packet.name, asked_by=asked_by, names=names), found


def _kept_document(packet: EvidencePacket) -> Json | None:
    """The document kept; None where its bytes do not have their SHA-256 any more."""
    try:
        content = document_of(packet)
    except ValueError:
        return None
    if sha256(content).hexdigest() != packet.document_sha256:
        return None
    document: Json = loads(content)
    return document


def _lock_shared(dispense: Dispense) -> None:
    """Make writers of what several patients share wait: the location, the payers, the items of the shelf."""
    payers = Coverage.objects.filter(patient=dispense.patient_id).values("payer")
    given = DispenseLine.objects.filter(dispense=dispense).values("item")
    tried = FittingTry.objects.filter(fitting__patient=dispense.patient_id).values("item")
    kept = Fitting.objects.filter(patient=dispense.patient_id).values("item_kept")
    items = CatalogueItem.objects.filter(Q(pk__in=given) | Q(pk__in=tried) | Q(pk__in=kept))
    for rows in (
        Location.objects.filter(pk=dispense.location_id),
        Payer.objects.filter(pk__in=payers),
        items,
    ):
        list(rows.order_by("pk").select_for_update(no_key=True).values_list("pk"))


def _next_number() -> int:
    """The next running number; packets made at once wait for one another."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(%s)", [_NUMBERS])
    return (EvidencePacket.objects.aggregate(last=Max("number"))["last"] or 0) + 1
