"""The evidence packet as PDF, read back from its bytes; and that format 1 stays format 1."""

import copy
import json
import re
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest

from resupply.delivery.packets import packet_pdf
from resupply.delivery.packets.words import MISSING, missing_lines
from resupply.queries.packets import FORMAT, canonical
from tests.delivery.pdf import Pdf

KEPT = Path(__file__).with_name("evidence-packet-1.json")
"""A document of format 1 about invented people, as a packet keeps it."""
WORDS_OF_FORMAT_1 = "3c1780c94f34d475df0313e82b496abb0883b1cc90f8c0257fdb3ff384b71b8b"


@pytest.fixture(scope="module")
def document() -> Any:
    return json.loads(KEPT.read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def paper(document: Any) -> Pdf:
    return Pdf.read(packet_pdf(document))


def words(paper: Pdf) -> str:
    return re.sub(r"\s+", " ", paper.text())


def test_a_kept_document_reads_back_to_the_byte(document: Any) -> None:
    assert canonical(document) == KEPT.read_bytes()


def test_the_same_document_gives_the_same_bytes(document: Any) -> None:
    assert packet_pdf(document) == packet_pdf(copy.deepcopy(document))


def test_it_says_what_an_audit_asks_for(paper: Pdf, document: Any) -> None:
    """Refill record and proof of delivery as CMS and its contractors list them (42 CFR 410.38(d)(4), 42 CFR
    424.57(c)(12)), each with when it was recorded.
    """
    text = words(paper)
    for said in (
        "No. E000001", "Date of service Wed 18 Mar 2026", "As known on Wed 18 Mar 2026, 15:00 UTC",
        "Nothing of what this packet looks for is missing.", "Odalys Brandt", "4 Elm St, Birch Hill",
        "Dr. Test, NPI 1234567893", "E-mail on Thu 12 Mar 2026, 16:00 UTC to odalys@patients.example",
        "Odalys Brandt, by telephone", "it leaks at the left cheek", "Parcel post PP-123",
        "Outside the usual limits (too early): the last ones tore early",
        "Written notice given on Tue 17 Mar 2026.", "Jan Brandt (spouse)",
        "against it stood: dispensed too early (from Tue 31 Mar 2026)", "CMS-1780-F",
        "4 hours or more on 21 of 30 nights in a row", "Tue 16 Dec 2025",
    ):  # fmt: skip
        assert said in text, said
    assert sha256(KEPT.read_bytes()).hexdigest() in text.replace(" ", "")


def test_its_file_names_no_patient_and_no_moment_of_printing(paper: Pdf) -> None:
    info = paper.info()
    assert "Brandt" not in json.dumps(info)
    assert info["Title"] == "Evidence packet E000001"
    assert info["CreationDate"] == "D:20000101000000+00'00'"


def test_every_missing_thing_has_its_sentence(document: Any) -> None:
    changed = copy.deepcopy(document)
    changed["missing"] = [[code, "A7032"] for code in MISSING]
    lines = missing_lines(changed)
    assert len(lines) == len(set(lines)) == len(MISSING)
    first_page = words(Pdf.read(packet_pdf(changed))).split("Page 2")[0]
    assert all(line in first_page for line in lines)


def test_whoever_changes_the_paper_raises_the_format(paper: Pdf) -> None:
    """A packet of format 1 that is built again has to be the same. Changed words or shape are format 2."""
    assert FORMAT == 1
    assert sha256(words(paper).encode()).hexdigest() == WORDS_OF_FORMAT_1
