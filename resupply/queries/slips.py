"""What a delivery slip says, from the records: the paper and the page show the same."""

from dataclasses import dataclass
from datetime import date

from resupply.models import Dispense, DispenseLine, Given, Proof
from resupply.rules.deliveries import keep_until
from resupply.rules.tables import part_types


@dataclass(frozen=True, slots=True)
class SlipLine:
    """One row of a slip."""

    line: DispenseLine
    description: str
    """What the code stands for, in words."""
    item: str
    """The catalogue's name and size; empty where no item is on record."""
    contains: tuple[str, ...]
    """Descriptions of the parts packed with it."""


@dataclass(frozen=True, slots=True)
class Slip:
    """A slip: the dispense with patient and location, its rows, and the proofs on record."""

    dispense: Dispense
    lines: tuple[SlipLine, ...]
    """Every row, voided ones too, in the order of the dispense."""
    proof: Proof | None
    """The standing proof of delivery."""
    voided_proofs: tuple[Proof, ...]

    @property
    def standing(self) -> tuple[SlipLine, ...]:
        """The rows that were delivered; of a voided dispense, all of them."""
        if self.dispense.is_voided:
            return self.lines
        return tuple(row for row in self.lines if not row.line.is_voided)

    @property
    def is_shipped(self) -> bool:
        """Whether it went as a parcel."""
        return self.dispense.given == Given.SHIPPED

    @property
    def kept_until(self) -> date:
        """The last day on which proof of delivery must still be kept.

        Of a parcel either the ship date or the day it arrived may be the date of service: the later counts.
        """
        served = self.dispense.dispensed_on
        return keep_until(max(served, self.proof.delivered_on) if self.proof else served)


def slip_of(dispense: Dispense) -> Slip:
    """The slip of a dispense that was fetched with its patient and location. Three queries; where parts were
    exchanged, four.
    """
    rows = dispense.lines.select_related(
        "item",
        "billed_to",
        "recorded_by",
        "voided_by",
        "answer_item__answer",
        "exchange_of__dispense",
    ).prefetch_related("exchanged_for__dispense")
    proofs = list(dispense.proofs.select_related("recorded_by", "voided_by").order_by("-pk"))
    return Slip(
        dispense,
        tuple(_line(row) for row in rows),
        next((proof for proof in proofs if not proof.is_voided), None),
        tuple(proof for proof in proofs if proof.is_voided),
    )


def _line(line: DispenseLine) -> SlipLine:
    return SlipLine(
        line,
        described(line.part_code),
        str(line.item or ""),
        tuple(described(code) for code in line.contains),
    )


def described(part_code: str) -> str:
    """The description of a billing code; the code itself where it is not (any more) on file."""
    part = part_types().get(part_code)
    return part.name if part else part_code
