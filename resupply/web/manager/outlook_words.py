"""The outlook in words: its findings, the pace, and why so much is to be ordered."""

from collections.abc import Iterable
from datetime import date

from resupply.queries.outlook import ItemDemand, Outlook
from resupply.rules.delays import Curve
from resupply.rules.demand import BETWEEN_ORDERS, ORDER_WEEKS
from resupply.web.wording import counted, day_words


def shown_number(value: float) -> str:
    """An expectation: whole above ten, else with one decimal."""
    return f"{value:,.0f}" if value >= 10 else f"{value:.1f}"


def finding(found: Outlook, *, today: date) -> str:
    """What the picture says: `Most is needed in the week of Mon 12 Jan: 64 units on time, ...`."""
    if not found.on_time:
        return "Nothing is needed in the weeks ahead"
    most = max(found.weeks, key=lambda week: week.on_time)
    peak = found.weeks.index(most)
    first = (
        "Much is late already: this week"
        if peak == 0
        else f"The week of {day_words(most.begins_on, today=today)}"
    )
    pace = f"at the clinic’s own pace about {shown_number(most.expected)}"
    return f"{first} takes most, {counted(most.on_time, 'unit')} on time, {pace}"


def pace_words(curve: Curve, *, enough: int) -> str:
    """A curve in words: `half within 4 days, nine of ten within 31 days`."""
    if curve.dispensed < enough:
        return "too few to go by; the pace of all locations counts"
    half = curve.median()
    most = next((step.days for step in curve.steps if step.share <= 0.1), None)
    said = "half of them take longer than any seen" if half is None else f"half {_within(half)}"
    return f"{said}, nine of ten {_within(most)}" if most is not None else said


def _within(days: int) -> str:
    if days < 0:
        return f"{counted(-days, 'day')} before the refill date"
    return "by the refill date" if days == 0 else f"within {counted(days, 'day')} of it"


def pace_finding(curves: Iterable[tuple[str, Curve]], *, enough: int) -> str:
    """Which kind takes longest: `Tubing takes longest: half within 12 days of its refill date`."""
    known = [
        (label, days)
        for label, curve in curves
        if curve.dispensed >= enough and (days := curve.median()) is not None
    ]
    if not known:
        return "The clinic’s own pace is not known yet: refills count on their refill dates"
    label, days = max(known, key=lambda pair: pair[1])
    if days <= 0:
        return "Half of the refills of every part are dispensed by their refill date"
    return f"{label} takes longest: half of the refills are dispensed {_within(days)}".replace(
        " of it", " of the refill date"
    )


def order_steps(one: ItemDemand, *, today: date) -> list[tuple[str, str]]:
    """Why so much is to be ordered by then: a sentence and its number each."""
    due, shelf = one.order, one.shelf
    if due is None or shelf is None or one.short_on is None:
        return []
    point = f"the reorder point of {shelf.low_at}" if shelf.low_at else "nothing"
    steps = [
        ("On the shelf and fit to dispense", str(shelf.usable)),
        ("Owed on back orders", str(shelf.owed)),
        ("So many can be given", str(due.available)),
        (
            f"In nine of ten cases that falls below {point} in the week of",
            day_words(one.short_on, today=today),
        ),
        (
            f"Less the {counted(ORDER_WEEKS, 'week')} an order takes",
            "order now" if due.is_now else "order then",
        ),
        (
            f"Needed until the order after it can be there, {counted(BETWEEN_ORDERS, 'week')} on",
            str(due.needed),
        ),
    ]
    if shelf.order_up_to:
        steps.append(("The target of the shelf", str(shelf.order_up_to)))
    return [
        *steps,
        ("Whichever is more: to the target, or that need and the reorder point", str(due.quantity)),
    ]
