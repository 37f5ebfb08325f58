"""Invented people and lines for the gallery, around one fixed day."""

from datetime import UTC, date, datetime
from types import SimpleNamespace
from uuid import UUID

from resupply.rules.help_topics import Topic
from resupply.web.strip import Step, StripLine, StripUnit

TODAY = date(2026, 3, 18)
NOBODY = UUID(int=0)


def _on(month: int, day: int, year: int = 2026) -> date:
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
        (StripUnit(_on(12, 28, 2025), _on(3, 28), "in_use"),),
        ask_from=_on(2, 26),
        deliver_from=_on(3, 18),
        supply_ends_on=_on(3, 28),
        worn_on=_on(3, 28),
        state="deliver",
        steps=MASK_STEPS,
    ),
    StripLine(
        "Cushion",
        "Nasal cushion M",
        (
            StripUnit(_on(12, 9, 2025), _on(1, 9), "past"),
            StripUnit(_on(1, 9), _on(2, 9), "past"),
            StripUnit(_on(2, 9), _on(3, 9), "in_use"),
            StripUnit(_on(3, 9), TODAY, "worn"),
        ),
        ask_from=_on(2, 7),
        deliver_from=_on(2, 27),
        supply_ends_on=_on(3, 9),
        worn_on=_on(3, 9),
        state="overdue",
        days_overdue=9,
        note="asked twice, no answer",
        why_url="/gallery/why/",
    ),
    StripLine(
        "Headgear",
        "Four-point, standard",
        (StripUnit(_on(12, 28, 2025), _on(6, 28), "in_use"),),
        ask_from=_on(5, 29),
        deliver_from=_on(6, 18),
        supply_ends_on=_on(6, 28),
        worn_on=_on(6, 28),
        steps=MASK_STEPS[:2],
    ),
    StripLine(
        "Tubing",
        "Heated, 1.8 m",
        (StripUnit(_on(1, 7), _on(4, 7), "in_use"), StripUnit(_on(4, 7), _on(7, 7), "spare")),
        ask_from=_on(6, 7),
        deliver_from=_on(6, 27),
        supply_ends_on=_on(7, 7),
        worn_on=_on(4, 7),
        spares=1,
        steps=MASK_STEPS[:3],
    ),
    StripLine(
        "Filter",
        "Disposable",
        (
            StripUnit(_on(2, 22), _on(3, 22), "in_use"),
            StripUnit(_on(3, 22), _on(4, 22), "spare"),
            StripUnit(_on(4, 22), _on(5, 22), "spare"),
        ),
        ask_from=_on(4, 22),
        deliver_from=_on(5, 12),
        supply_ends_on=_on(5, 22),
        worn_on=_on(3, 22),
        spares=2,
        steps=MASK_STEPS[:3],
    ),
    StripLine(
        "Water chamber",
        "Humidifier",
        (StripUnit(_on(10, 12, 2025), _on(4, 12), "in_use"),),
        ask_from=_on(3, 13),
        deliver_from=_on(4, 2),
        supply_ends_on=_on(4, 12),
        worn_on=_on(4, 12),
        state="ask",
        steps=MASK_STEPS[:4],
    ),
)
"""The lines of the invented Odalys Brandt."""

ODD_LINES = (
    StripLine(
        "Cushion",
        "Full face, L",
        (StripUnit(_on(2, 5), _on(3, 18), "in_use"),),
        ask_from=_on(2, 16),
        deliver_from=_on(3, 8),
        supply_ends_on=_on(3, 18),
        covered_from=_on(4, 3),
        state="due",
        waiting=True,
        steps=MASK_STEPS[:2],
    ),
    StripLine(
        "Mask",
        "Full face, L",
        (StripUnit(_on(1, 5), _on(4, 26), "in_use"),),
        ask_from=_on(3, 27),
        deliver_from=_on(4, 16),
        supply_ends_on=_on(4, 26),
        worn_on=_on(4, 26),
        pauses=((_on(1, 20), _on(2, 3)), (_on(3, 11), None)),
        state="paused",
        steps=MASK_STEPS[:2],
    ),
    StripLine(
        "Chin strap",
        "",
        (),
        supply_ends_on=_on(1, 3),
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
        (StripUnit(_on(2, 20), _on(3, 20), "in_use"), StripUnit(_on(3, 20), _on(4, 20), "spare")),
        ask_from=_on(3, 21),
        deliver_from=_on(4, 10),
        supply_ends_on=_on(4, 20),
        worn_on=_on(3, 20),
        spares=1,
    ),
    StripLine(
        "Cushion",
        "with the draft",
        (StripUnit(_on(2, 20), _on(4, 20), "in_use"), StripUnit(_on(4, 20), _on(6, 20), "spare")),
        ask_from=_on(5, 21),
        deliver_from=_on(6, 10),
        supply_ends_on=_on(6, 20),
        worn_on=_on(4, 20),
        spares=1,
    ),
)
"""One line before and after a draft of policy."""

EVENTS = (
    SimpleNamespace(
        public_id=NOBODY,
        on=_on(3, 9),
        event="swap",
        get_event_display="Swap",
        kind="cushion",
        is_voided=False,
    ),
    SimpleNamespace(
        public_id=NOBODY,
        on=_on(2, 11),
        event="loss",
        get_event_display="Loss",
        kind="tubing",
        is_voided=True,
        voided_at=datetime(2026, 2, 12, 17, 5, tzinfo=UTC),
        void_reason="it was found again",
    ),
)


HELP = Topic(
    "sample",
    "Log a dispense",
    about=("The form opens with the same again: mostly only lot and expiry are left to check.",),
    steps=("Open the patient and press “Dispense”.", "Scan each pack.", "Press “Log the dispense”."),
    words=(("slip", "The paper that goes with the parts."),),
    trouble=(("“Not in stock.”", "Count the shelf, or log it anyway with a reason."),),
    cautions=(("The part's own instructions come first.", "An invented source, 2026"),),
)
"""A topic of help with one of each thing a topic may hold."""


def context() -> dict[str, object]:
    """Everything the gallery shows that does not depend on the request."""
    person = {"name": "Odalys Brandt", "birth_date": _on(2, 4, 1961), "reference": "1047"}
    other = {"name": "Tobiah Mwangi-Fairweather", "birth_date": _on(11, 30, 1948), "reference": "1112"}
    return {
        "help_topic": HELP,
        "clinic_name": "Juniper Bend Sleep Clinic (demo)",
        "demo": True,
        "nav": [
            ("Today", "#", False),
            ("Patients", "#", True),
            ("Dispense", "#", False),
            ("Stock", "#", False),
        ],
        "person": person,
        "user": SimpleNamespace(is_authenticated=True, get_username="desk", get_full_name="Ines Halvorsen"),
        "events": EVENTS,
        "dates": {"now": datetime(2026, 3, 18, 15, 5, tzinfo=UTC), "other_year": _on(12, 28, 2025)},
        "whys": [("Cushion", "9 days overdue", MASK_STEPS[:2]), ("Supply ended", "Mon 9 Mar", MASK_STEPS)],
        "states": [
            ("overdue", 9, False),
            ("due", None, True),
            ("deliver", None, False),
            ("ask", None, False),
            ("in_supply", None, False),
            ("paused", None, False),
        ],
        "facts": [
            {"label": "In use since", "value": _on(12, 28, 2025), "steps": MASK_STEPS[:1]},
            {"label": "Supply ends", "value": _on(3, 28), "steps": MASK_STEPS},
            {"label": "Covered from", "value": None, "note": "the patient pays"},
            {
                "label": "May be dispensed today",
                "value": 1,
                "note": "no published limit",
                "steps": MASK_STEPS[:2],
            },
        ],
        "overdue": [
            {
                "person": person,
                "kind": "cushion",
                "state": "overdue",
                "days": 9,
                "ends": _on(3, 9),
                "payer": "Payer B",
                "limit": None,
            },
            {
                "person": other,
                "kind": "filter_disposable",
                "state": "overdue",
                "days": 74,
                "ends": _on(1, 3),
                "payer": "Payer A",
                "limit": None,
            },
            {
                "person": person,
                "kind": "mask",
                "state": "deliver",
                "days": None,
                "ends": _on(3, 28),
                "payer": "Payer B",
                "limit": None,
            },
            {
                "person": other,
                "kind": "tubing",
                "state": "ask",
                "days": None,
                "ends": _on(4, 12),
                "payer": "Payer A",
                "limit": None,
            },
        ],
        "found": [
            {"url": "#", **person, "note": "North room"},
            {"url": "#", **other, "note": "South room"},
        ],
    }
