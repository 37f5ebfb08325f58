"""What an invented patient uses: the parts of a mask style, and how many make up a quarter's refill."""

from resupply.services.demo.clinic import Item, table
from resupply.services.demo.dates import QUARTER
from resupply.services.demo.histories import Part

STYLES = ("nasal", "nasal pillows", "full face", "nasal cradle", "hybrid")

HEATED, PLAIN = Part(Item("A4604")), Part(Item("A7037"))
FILTERS, REUSABLE = Part(Item("A7038"), 3), Part(Item("A7039"))
CHAMBER = Part(Item("A7046"))
CHIN_STRAP = Part(Item("A7036"))


def kit_of(
    style: str,
    *,
    size: str = "M",
    complete: bool = False,
    heated: bool = True,
    humidifier: bool = True,
    reusable: bool = False,
    chin_strap: bool = False,
) -> list[Part]:
    """The parts of a style, in the order they stand on a dispense.

    A complete mask brings its headgear and one of three soft parts.
    """
    return [
        *mask_parts(style, size=size, complete=complete),
        *([CHIN_STRAP] if chin_strap else []),
        HEATED if heated else PLAIN,
        REUSABLE if reusable else FILTERS,
        *([CHAMBER] if humidifier else []),
    ]


def mask_parts(style: str, *, size: str = "M", complete: bool = False) -> list[Part]:
    """Mask, soft parts and headgear of a style."""
    family = next(row for row in table("clinic")["family"] if row["style"] == style)
    complete = complete and bool(family["packed"])
    refill = (2, QUARTER) if complete else (3, None)
    soft = [Part(Item(code, family["name"], False, size), *refill) for code, _ in family["parts"]]
    headgear = [] if complete else [Part(Item("A7035", family["name"]))]
    return [Part(Item(family["mask"], family["name"], complete, size)), *soft, *headgear]


def family_of(style: str) -> str:
    """The mask family of a style."""
    name: str = next(row["name"] for row in table("clinic")["family"] if row["style"] == style)
    return name
