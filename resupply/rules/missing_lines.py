"""Which lines a patient on therapy should have and lacks: parts in use that nobody is ever reminded of.

The rule in plain words. Whoever has a device or any part breathes through a mask, a tube and the device's
filter. A mask needs what it is made of: a nasal or full face mask (A7034, A7030) a cushion, a combination
mask (A7027) an oral cushion and nasal pillows; every mask but an oral one (A7044) is held by headgear. A
device with a humidifier needs a water chamber. Parts packed with a mask are lines like any other, so what
came with it is not missing. Of the two filters one is enough: which one, the device says.

Edge cases: a cushion without a mask on record means that the mask is missing, and its headgear too; beside an
oral mask it is left from the mask before, and asks for nothing; without a
device on record nothing is said about a chamber; a patient with neither device nor part lacks the mask, the
tubing and the filter.

Source: common practice [CP] after the codes' own descriptors (HCPCS Level II, from memory [M]); the parts'
instructions come first. It is a list to look at, never an order: the desk asks what the patient uses.

>>> [gap.kinds[0].value for gap in missing(Held(frozenset({Kind.MASK, Kind.CUSHION}), "A7034"))]
['headgear', 'tubing', 'filter_disposable']
"""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from resupply.rules.kinds import Kind

COMBINATION, ORAL = "A7027", "A7044"
FILTERS = (Kind.FILTER_DISPOSABLE, Kind.FILTER_REUSABLE)
_OF_A_MASK = (Kind.CUSHION, Kind.ORAL_CUSHION, Kind.COMBINATION_PILLOWS, Kind.HEADGEAR)


class Because(StrEnum):
    """Why a line should be there."""

    THERAPY = "therapy"
    """Therapy needs one."""
    MASK = "mask"
    """The mask on record needs one."""
    PARTS = "parts"
    """Parts of a mask are on record."""
    HUMIDIFIER = "humidifier"
    """The device on record has a humidifier."""


@dataclass(frozen=True, slots=True)
class Held:
    """What is on record: kinds with a line, the mask's code (None: no mask), a humidifier."""

    kinds: frozenset[Kind]
    mask_code: str | None = None
    has_humidifier: bool = False


@dataclass(frozen=True, slots=True)
class Gap:
    """A line that should be there; of several kinds, one would do."""

    kinds: tuple[Kind, ...]
    because: Because


def missing(held: Held) -> tuple[Gap, ...]:
    """The lines a patient on therapy lacks, in the usual order of parts."""
    return tuple(gap for gap in _expected(held) if held.kinds.isdisjoint(gap.kinds))


def _expected(held: Held) -> Iterator[Gap]:
    has_parts = not held.kinds.isdisjoint(_OF_A_MASK)
    yield Gap((Kind.MASK,), Because.PARTS if has_parts else Because.THERAPY)
    if held.mask_code is not None:
        for kind in _inside(held.mask_code):
            yield Gap((kind,), Because.MASK)
    if has_parts if held.mask_code is None else held.mask_code != ORAL:
        yield Gap((Kind.HEADGEAR,), Because.PARTS if held.mask_code is None else Because.MASK)
    yield Gap((Kind.TUBING,), Because.THERAPY)
    yield Gap(FILTERS, Because.THERAPY)
    if held.has_humidifier:
        yield Gap((Kind.CHAMBER,), Because.HUMIDIFIER)


def _inside(mask_code: str) -> tuple[Kind, ...]:
    if mask_code == COMBINATION:
        return (Kind.ORAL_CUSHION, Kind.COMBINATION_PILLOWS)
    return () if mask_code == ORAL else (Kind.CUSHION,)
