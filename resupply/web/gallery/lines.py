"""Invented lines for the gallery: the usual ones, seldom ones, and one before and after a draft."""

from datetime import date

from resupply.web.strip import Step, StripLine, StripUnit

TODAY = date(2026, 3, 18)


def on(month: int, day: int, year: int = 2026) -> date:
    """A day, of that year unless another is named."""
    return date(year, month, day)


MASK_STEPS = (
    Step("In use since", "Sun 28 Dec 2025", "dispensed on 28 Dec 2025, nasal mask M"),
    Step("Life of the part", "3 months", "clinic policy in force from 1 Jan 2025"),
    Step("Worn on, counted from the first day of use", "Sat 28 Mar", "28 Dec 2025 + 3 months"),
    Step("No spares, so supply ends when it is worn", "Sat 28 Mar"),
    Step("May be dispensed 10 days before", "Wed 18 Mar", "CMS refill rule in force from 1 Jan 2024"),
)

LINES = (
    StripLine(
        "Mask",
        "Nasal, frame M",
        (StripUnit(on(12, 28, 2025), on(3, 28), "in_use"),),
        ask_from=on(2, 26),
        deliver_from=on(3, 18),
        supply_ends_on=on(3, 28),
        worn_on=on(3, 28),
        state="deliver",
        steps=MASK_STEPS,
    ),
    StripLine(
        "Cushion",
        "Nasal cushion M",
        (
            StripUnit(on(12, 9, 2025), on(1, 9), "past"),
            StripUnit(on(1, 9), on(2, 9), "past"),
            StripUnit(on(2, 9), on(3, 9), "in_use"),
            StripUnit(on(3, 9), TODAY, "worn"),
        ),
        ask_from=on(2, 7),
        deliver_from=on(2, 27),
        supply_ends_on=on(3, 9),
        worn_on=on(3, 9),
        state="overdue",
        days_overdue=9,
        note="asked twice, no answer",
        why_url="/gallery/why/",
    ),
    StripLine(
        "Headgear",
        "Four-point, standard",
        (StripUnit(on(12, 28, 2025), on(6, 28), "in_use"),),
        ask_from=on(5, 29),
        deliver_from=on(6, 18),
        supply_ends_on=on(6, 28),
        worn_on=on(6, 28),
        steps=MASK_STEPS[:2],
    ),
    StripLine(
        "Tubing",
        "Heated, 1.8 m",
        (StripUnit(on(1, 7), on(4, 7), "in_use"), StripUnit(on(4, 7), on(7, 7), "spare")),
        ask_from=on(6, 7),
        deliver_from=on(6, 27),
        supply_ends_on=on(7, 7),
        worn_on=on(4, 7),
        spares=1,
        steps=MASK_STEPS[:3],
    ),
    StripLine(
        "Filter",
        "Disposable",
        (
            StripUnit(on(2, 22), on(3, 22), "in_use"),
            StripUnit(on(3, 22), on(4, 22), "spare"),
            StripUnit(on(4, 22), on(5, 22), "spare"),
        ),
        ask_from=on(4, 22),
        deliver_from=on(5, 12),
        supply_ends_on=on(5, 22),
        worn_on=on(3, 22),
        spares=2,
        steps=MASK_STEPS[:3],
    ),
    StripLine(
        "Water chamber",
        "Humidifier",
        (StripUnit(on(10, 12, 2025), on(4, 12), "in_use"),),
        ask_from=on(3, 13),
        deliver_from=on(4, 2),
        supply_ends_on=on(4, 12),
        worn_on=on(4, 12),
        state="ask",
        steps=MASK_STEPS[:4],
    ),
)
"""The lines of the invented Odalys Brandt."""

ODD_LINES = (
    StripLine(
        "Cushion",
        "Full face, L",
        (StripUnit(on(2, 5), on(3, 18), "in_use"),),
        ask_from=on(2, 16),
        deliver_from=on(3, 8),
        supply_ends_on=on(3, 18),
        covered_from=on(4, 3),
        state="due",
        waiting=True,
        steps=MASK_STEPS[:2],
    ),
    StripLine(
        "Mask",
        "Full face, L",
        (StripUnit(on(1, 5), on(4, 26), "in_use"),),
        ask_from=on(3, 27),
        deliver_from=on(4, 16),
        supply_ends_on=on(4, 26),
        worn_on=on(4, 26),
        pauses=((on(1, 20), on(2, 3)), (on(3, 11), None)),
        state="paused",
        steps=MASK_STEPS[:2],
    ),
    StripLine(
        "Chin strap",
        "",
        (),
        supply_ends_on=on(1, 3),
        state="overdue",
        days_overdue=74,
        why_url="/gallery/why/",
    ),
)
"""What is seldom: due while waiting for coverage, a pause, nothing left at all."""

DRAFTED_LINES = (
    StripLine(
        "Cushion",
        "as it is now",
        (StripUnit(on(2, 20), on(3, 20), "in_use"), StripUnit(on(3, 20), on(4, 20), "spare")),
        ask_from=on(3, 21),
        deliver_from=on(4, 10),
        supply_ends_on=on(4, 20),
        worn_on=on(3, 20),
        spares=1,
    ),
    StripLine(
        "Cushion",
        "with the draft",
        (StripUnit(on(2, 20), on(4, 20), "in_use"), StripUnit(on(4, 20), on(6, 20), "spare")),
        ask_from=on(5, 21),
        deliver_from=on(6, 10),
        supply_ends_on=on(6, 20),
        worn_on=on(4, 20),
        spares=1,
    ),
)
"""One line before and after a draft of policy."""
