"""Who may sign for parts, against the contractors' pages on proof of delivery; how long proof is kept."""

import doctest
from datetime import date

import pytest

from resupply.rules import signers
from resupply.rules.deliveries import keep_until
from resupply.rules.signers import Refusal, refusal

PATIENT, STAFF = "odalys brandt", {"ines marlow", "theo vance"}


def test_the_doctests() -> None:
    assert doctest.testmod(signers).failed == 0


@pytest.mark.parametrize(
    ("name", "relation", "expected", "because"),
    [
        # 42 CFR 424.57(c)(12) as supplier contractors read it: never the supplier, its staff, anyone with a
        # financial interest. The words are ours.
        ("dana rook", "supplier employee", Refusal.RELATION, "the check value of the published rule"),
        ("dana rook", "staff", Refusal.RELATION, "staff"),
        ("dana rook", "sales rep", Refusal.RELATION, "gains by it"),
        ("dana rook", "the courier", Refusal.RELATION, "carried it"),
        ("dana rook", "clinic-employee", Refusal.RELATION, "words joined by a hyphen are words"),
        ("ines marlow", "neighbour", Refusal.STAFF, "a member of staff by another name"),
        ("odalys brandt", "self", None, "the patient"),
        ("jan brandt", "spouse", None, "a designee"),
        ("jan brandt", "staffordshire cousin", None, "no whole word"),
        ("", "", None, "nobody named: what is missing is said elsewhere"),
    ],
)
def test_who_may_sign(name: str, relation: str, expected: Refusal | None, because: str) -> None:
    assert refusal(name, relation, patient=PATIENT, staff=STAFF) is expected, because


def test_a_member_of_staff_signs_for_their_own_parts() -> None:
    assert refusal("ines marlow", "self", patient="ines marlow", staff=STAFF) is None


@pytest.mark.parametrize(
    ("served", "kept"),
    [
        # Seven years from the date of service; the clamp of a leap day is ours.
        (date(2024, 2, 29), date(2031, 2, 28)),
        (date(2024, 3, 1), date(2031, 3, 1)),
        (date(2025, 12, 31), date(2032, 12, 31)),
    ],
)
def test_how_long_proof_is_kept(served: date, kept: date) -> None:
    assert keep_until(served) == kept
