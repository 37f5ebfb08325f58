"""Kinds of parts and the facts about them that other rules need.

A *kind* names a line (one patient's chain of units of one kind, whatever their codes). Which billing code
belongs to which kind stands in `part_types.toml`.
"""

from collections.abc import Mapping
from enum import StrEnum


class Kind(StrEnum):
    """Kind of part; the value is the word used in files."""

    MASK = "mask"
    CUSHION = "cushion"
    ORAL_CUSHION = "oral_cushion"
    COMBINATION_PILLOWS = "combination_pillows"
    HEADGEAR = "headgear"
    CHIN_STRAP = "chin_strap"
    TUBING = "tubing"
    FILTER_DISPOSABLE = "filter_disposable"
    FILTER_REUSABLE = "filter_reusable"
    CHAMBER = "chamber"


PLACE: Mapping[str, int] = {kind: place for place, kind in enumerate(Kind)}
"""Where a kind stands in every list of parts: the mask, what belongs to it, the rest."""

REFIT_KINDS = frozenset({Kind.MASK, Kind.CUSHION, Kind.ORAL_CUSHION, Kind.COMBINATION_PILLOWS, Kind.HEADGEAR})
"""The lines that belong to a mask family: a refit to another family ends their units."""
