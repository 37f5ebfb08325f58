"""A scan on the dispense form: it finds the item by its GTIN and counts it into a row. Nothing is recorded.

A row that scans fill counts them; another lot or expiry of the item starts another row. A row the form
suggested and nobody touched is taken over, its quantity counted anew from 1. What was typed stays as it is.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

from django.http import HttpRequest

from resupply.models import CatalogueItem
from resupply.rules import gs1
from resupply.rules.gs1 import Bad, Problem, Scan, Warn
from resupply.web.desk.forms import RowForm, ScanForm
from resupply.web.desk.rows import LineRow
from resupply.web.wording import day_words, kind_word

MOST_ROWS = 40
"""Rows a form may have."""

MOST_SHOWN = 120
"""Characters of a refused scan that are shown."""

Row = dict[str, str]

PROBLEMS = {
    Bad.EMPTY: "The scan holds nothing. Scan the code again.",
    Bad.UNREADABLE: "This is no code of a part. Scan the code with (01) on the pack, or choose a row below.",
    Bad.CHECK_DIGIT: "The check digit does not fit: the code was misread or mistyped. Scan it again.",
    Bad.PLACEHOLDER: "The item number is all zeros. Choose the part below and type what the pack says.",
    Bad.DATE: "The code holds a date that does not exist. Choose the part below and type what the pack says.",
    Bad.LENGTH: "The code is too long or too short: the scanner may have dropped a separator. "
    "Choose the part below and type what the pack says.",
    Bad.CHARACTER: "The code holds characters that it cannot hold. Scan it again.",
    Bad.TWICE: "The code says one thing twice, differently: two codes may have run together. Scan it again.",
}
SWALLOWED = (
    "The scanner may have dropped a separator. Compare lot and expiry with the pack before you log this."
)
NO_ITEM_NUMBER = "This code holds no item number. Scan the code with (01) on the pack."
HIBC = "This is an HIBC code; items are found by GTIN. Choose the part below and type what the pack says."
TYPED = "A quantity of {} was typed as well and stands in its own row. Empty it if these are the same parts."
FULL = f"The form has {MOST_ROWS} rows already. Log these first, then scan the rest."


@dataclass(frozen=True, slots=True)
class Scanned:
    """The rows after a scan, and what to say of it: what was done, or why nothing was. `text` is the scan as
    people can read it.
    """

    rows: list[Row]
    done: str = ""
    cautions: tuple[str, ...] = ()
    problem: str = ""
    text: str = ""


def is_scan(request: HttpRequest) -> bool:
    """Whether a scan was sent. A scanner ends with Enter, so a filled field counts whatever the button."""
    return "add_scan" in request.POST or bool(request.POST.get("scan", "").strip())


def scan_form(request: HttpRequest, scanned: Scanned | None) -> ScanForm:
    """The scan field. After a scan it has the focus and is empty, also where the scan was refused (the
    message shows it): left there, it would stand before the next scan and keep the form from being logged.
    """
    form = ScanForm(initial={"scan": "" if scanned else request.POST.get("scan", "")})
    if scanned:
        form.fields["scan"].widget.attrs |= {"autofocus": True}
    return form


def add_scan(
    request: HttpRequest,
    rows: list[Row],
    items: Sequence[CatalogueItem],
    lines: Sequence[LineRow],
    *,
    today: date,
) -> Scanned:
    """Read the scan and count it into the rows as typed; a scan that may not go out leaves them alone."""
    text = request.POST.get("scan", "")
    suggested = {line.kind: str(line.status.quantity_suggested or "") for line in lines}
    scanned = _read_in(text, rows, items, suggested, day=_day_typed(request, today), today=today)
    return replace(scanned, text=text[:MOST_SHOWN].replace(gs1.SEPARATOR, "␝"))


def _read_in(
    text: str,
    rows: list[Row],
    items: Sequence[CatalogueItem],
    suggested: dict[str, str],
    *,
    day: date,
    today: date,
) -> Scanned:
    """The same for a scan by itself, on the day of the dispense."""
    scan = gs1.parse(text, year=today.year)
    if isinstance(scan, Problem):
        return Scanned(rows, problem=PROBLEMS[scan.reason])
    if not scan.gtin:
        return Scanned(rows, problem=HIBC if scan.hibc else NO_ITEM_NUMBER)
    item = next((item for item in items if item.gtin.zfill(14) == scan.gtin), None)
    if item is None:
        return Scanned(rows, problem=_unknown(scan, today))
    if scan.expires_on and scan.expires_on < day:
        return Scanned(rows, problem=_expired(item, scan.expires_on, today))
    return _count_in(rows, item, scan, suggested)


def _count_in(rows: list[Row], item: CatalogueItem, scan: Scan, suggested: dict[str, str]) -> Scanned:
    """The rows with one more of the item in them; `suggested` is the quantity each kind's row opened with."""
    cautions = [SWALLOWED] if Warn.SWALLOWED in scan.warnings else []
    if _is_typed(rows, item, suggested.get(item.kind, "")):
        cautions.append(TYPED.format(kind_word(item.kind).lower()))
    position = _place(rows, item, scan, suggested)
    if position is None:
        return Scanned(rows, problem=FULL)
    rows[position] = _counted(rows[position], item, scan)
    return Scanned(rows, _done(item, rows[position]), tuple(cautions))


def _place(rows: list[Row], item: CatalogueItem, scan: Scan, suggested: dict[str, str]) -> int | None:
    """Where the scan is counted, a new row at the end if need be; None where the form is full."""
    told = (f"item:{item.pk}", scan.lot, _iso(scan.expires_on))
    for position, row in enumerate(rows):
        is_count = row["scanned"] and row["quantity"].isdecimal() and len(row["quantity"]) < 5
        if is_count and (row["part"], row["lot"], row["expires_on"]) == told:
            return position
    for kind in (item.kind, ""):
        for position, row in enumerate(rows):
            if row["kind"] == kind and _is_untouched(row, suggested.get(kind, "")):
                return position
    if len(rows) >= MOST_ROWS:
        return None
    rows.append(dict.fromkeys(RowForm.base_fields, ""))
    return len(rows) - 1


def _is_untouched(row: Row, suggested: str) -> bool:
    """Whether the row is as the form opened it: nothing typed, the quantity empty or as suggested."""
    if row["scanned"] or row["quantity"] not in {"", suggested} or (not row["kind"] and row["part"]):
        return False
    return not any(row[name] for name in ("lot", "expires_on", "first_use_on", "billed", "exception_reason"))


def _is_typed(rows: list[Row], item: CatalogueItem, suggested: str) -> bool:
    """Whether someone typed a quantity of such parts, which scans leave alone."""
    same = [row for row in rows if row["kind"] == item.kind or row["part"] == f"item:{item.pk}"]
    return any(row["quantity"] and not row["scanned"] and not _is_untouched(row, suggested) for row in same)


def _counted(row: Row, item: CatalogueItem, scan: Scan) -> Row:
    """The row with one more of the item."""
    count = int(row["quantity"]) + 1 if row["scanned"] else 1
    told = {"part": f"item:{item.pk}", "lot": scan.lot, "expires_on": _iso(scan.expires_on)}
    return row | told | {"quantity": str(count), "scanned": "1"}


def _unknown(scan: Scan, today: date) -> str:
    """What to do with a part that the catalogue does not know."""
    told = [f"lot {scan.lot}"] if scan.lot else []
    if scan.expires_on:
        told.append(f"expires {day_words(scan.expires_on, today=today)}")
    rest = f" ({', '.join(told)})" if told else ""
    return (
        f"The catalogue offers no item with the GTIN {scan.gtin}{rest}. Choose the part in a row below and "
        "type what the pack says; whoever keeps the catalogue can add the GTIN to the item."
    )


def _expired(item: CatalogueItem, day: date, today: date) -> str:
    return f"{item} expired on {day_words(day, today=today)}: it may not be dispensed. Take another."


def _done(item: CatalogueItem, row: Row) -> str:
    lot = f", lot {row['lot']}" if row["lot"] else ""
    return f"Added: {item}{lot}. Scanned so far: {row['quantity']}. Not logged yet."


def _day_typed(request: HttpRequest, today: date) -> date:
    """The day of the dispense as typed; today where that is no day yet."""
    try:
        return date.fromisoformat(request.POST.get("dispensed_on", ""))
    except ValueError:
        return today


def _iso(day: date | None) -> str:
    return day.isoformat() if day else ""
