"""Invented people, lists and facts for the gallery, around one fixed day. Their lines: `lines.py`."""

from datetime import UTC, date, datetime
from types import SimpleNamespace
from uuid import UUID

from django.contrib.auth import get_user_model

from resupply.rules.help_topics import Topic
from resupply.web.gallery.lines import MASK_STEPS, TODAY, on

NOBODY = UUID(int=0)

ODALYS = {"name": "Odalys Brandt", "birth_date": on(2, 4, 1961), "reference": "1047"}
TOBIAH = {"name": "Tobiah Mwangi-Fairweather", "birth_date": on(11, 30, 1948), "reference": "1112"}


def _event(happened_on: date, event: str, kind: str, **void: object) -> SimpleNamespace:
    """A swap or a loss, as the ledger takes it from the database."""
    return SimpleNamespace(
        public_id=NOBODY, on=happened_on, event=event, get_event_display=event.capitalize(), kind=kind,
        is_voided=bool(void), **void,
    )  # fmt: skip


EVENTS = (
    _event(on(3, 9), "swap", "cushion"),
    _event(
        on(2, 11), "loss", "tubing",
        voided_at=datetime(2026, 2, 12, 17, 5, tzinfo=UTC), void_reason="it was found again",
    ),
)  # fmt: skip

FACTS = (
    {"label": "In use since", "value": on(12, 28, 2025), "steps": MASK_STEPS[:1]},
    {"label": "Supply ends", "value": on(3, 28), "steps": MASK_STEPS},
    {"label": "Covered from", "value": None, "note": "the patient pays"},
    {"label": "May be dispensed today", "value": 1, "note": "no published limit", "steps": MASK_STEPS[:2]},
)

STATES = (
    ("overdue", 9, False),
    ("due", None, True),
    ("deliver", None, False),
    ("ask", None, False),
    ("in_supply", None, False),
    ("paused", None, False),
)
"""Each state, with its days overdue, and whether it waits for coverage."""


def _line(
    person: dict[str, object], kind: str, state: str, ends: date, payer: str, days: int | None = None
) -> dict[str, object]:
    """A row of the overdue list, without a limit."""
    return {
        "person": person,
        "kind": kind,
        "state": state,
        "days": days,
        "ends": ends,
        "payer": payer,
        "limit": None,
    }


OVERDUE = (
    _line(ODALYS, "cushion", "overdue", on(3, 9), "Payer B", 9),
    _line(TOBIAH, "filter_disposable", "overdue", on(1, 3), "Payer A", 74),
    _line(ODALYS, "mask", "deliver", on(3, 28), "Payer B"),
    _line(TOBIAH, "tubing", "ask", on(4, 12), "Payer A"),
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
    return {
        "today": TODAY,
        "help_topic": HELP,
        "clinic_name": "Juniper Bend Sleep Clinic (demo)",
        "demo": True,
        "nav": [(place, "#", place == "Patients") for place in ("Today", "Patients", "Dispense", "Stock")],
        "person": ODALYS,
        "user": get_user_model()(username="desk", first_name="Ines", last_name="Halvorsen"),
        "events": EVENTS,
        "dates": {"now": datetime(2026, 3, 18, 15, 5, tzinfo=UTC), "other_year": on(12, 28, 2025)},
        "whys": [("Cushion", "9 days overdue", MASK_STEPS[:2]), ("Supply ended", "Mon 9 Mar", MASK_STEPS)],
        "states": STATES,
        "facts": FACTS,
        "overdue": OVERDUE,
        "found": [
            {"url": "#", **ODALYS, "note": "North room"},
            {"url": "#", **TOBIAH, "note": "South room"},
        ],
    }
