"""Who may sign for parts that were delivered.

The rule in plain words: the patient signs, or somebody the patient names (a designee), whose relation is
noted. Never the supplier, its staff, or anyone else with a financial interest in the delivery: for them, a
signature would prove their own word. Who carries the parcel gains by the delivery too; a carrier's record is
proof of another kind.

Edge cases: a member of staff may be a patient of the same clinic, or share a patient's name, and then signs
for their own parts. Words are looked for in the relation as whole words only: "staffordshire" names no staff.

Source: 42 CFR 424.57(c)(12) as the Medicare supplier contractors' pages on proof of delivery read it (the
supplier, its staff and anyone with a financial interest may not sign). The list of words is ours.

>>> refusal("dana rook", "supplier employee", patient="odalys brandt", staff=[])
<Refusal.RELATION: 'relation'>
>>> refusal("ines marlow", "neighbour", patient="odalys brandt", staff=["ines marlow"])
<Refusal.STAFF: 'staff'>
>>> refusal("odalys brandt", "self", patient="odalys brandt", staff=["odalys brandt"])
"""

import re
from collections.abc import Collection
from enum import StrEnum


class Refusal(StrEnum):
    """Why a signature proves nothing."""

    RELATION = "relation"
    """The relation names staff, a supplier or a carrier."""
    STAFF = "staff"
    """A member of staff has that name, and the patient has another."""


_WORKS_FOR = frozenset({
    "carrier", "clerk", "clinic", "courier", "distributor", "driver", "employee", "employees", "employer",
    "manufacturer", "receptionist", "rep", "sales", "salesman", "salesperson", "saleswoman", "seller",
    "staff", "supplier", "suppliers", "technician", "therapist", "vendor",
})  # fmt: skip


def refusal(name: str, relation: str, *, patient: str, staff: Collection[str]) -> Refusal | None:
    """Why this person may not sign for parts of `patient`; None where nothing speaks against it.

    All texts are folded (small letters, no accents, single blanks); names are full names.
    """
    if _WORKS_FOR & set(re.findall(r"\w+", relation)):
        return Refusal.RELATION
    return Refusal.STAFF if name in staff and name != patient else None
