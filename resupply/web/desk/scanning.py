"""A scan on the dispense form: it finds the item by its GTIN or HIBC code and counts it into a row. Nothing
is recorded.

A row that scans fill counts them; another lot, expiry or serial of the item starts another row. A row the
form filled in and nobody touched is taken over, its quantity counted anew from 1, and the other such rows of
that kind are emptied. What was typed stays as it is. What may not go out is stopped at once.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

from django.http import HttpRequest

from resupply.models import CatalogueItem
from resupply.queries.stock import item_named
from resupply.rules import gs1
from resupply.rules.gs1 import Bad, Problem, Scan, Warn
from resupply.rules.item_numbers import hibc_item
from resupply.rules.stops import StopCode
from resupply.services.dispensing import NewLine
from resupply.services.dispensing.words import words
from resupply.web.desk.dispense_desk import Desk
from resupply.web.desk.dispense_forms import MOST_ROWS, Raw, blank_row, offer_of, offered
from resupply.web.desk.forms import ScanForm
from resupply.web.wording import day_words, kind_word

MOST_SHOWN = 120
"""Characters of a refused scan that are shown."""

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
AT_ONCE = (StopCode.MAGNETS, StopCode.RECALLED, StopCode.EXPIRED, StopCode.WRONG_FAMILY)
"""What stops a scan before it is counted; the rest depends on how many go out, and how."""
HELP = (
    "The code on the pack, scanned or typed as printed. Each scan adds one and logs nothing; Enter in the "
    "empty field logs the dispense."
)
NO_ITEM_NUMBER = "This code holds no item number. Scan the code with (01) on the pack."
TYPED = "A quantity of {} was typed as well and stands in its own row. Empty it if these are the same parts."
FULL = f"The form has {MOST_ROWS} rows already. Log these first, then scan the rest."


@dataclass(frozen=True, slots=True)
class Scanned:
    """The rows after a scan, and what to say of it: what was done, or why nothing was. `text` is the scan as
    people can read it; `unknown` a number that no item has, as (field of the item, number).
    """

    rows: list[Raw]
    done: str = ""
    cautions: tuple[str, ...] = ()
    problem: str = ""
    text: str = ""
    unknown: tuple[str, str] | None = None


def is_scan(request: HttpRequest) -> bool:
    """Whether a scan was sent. A scanner ends with Enter, so a filled field counts whatever the button."""
    return "add_scan" in request.POST or bool(request.POST.get("scan", "").strip())


def scan_form(request: HttpRequest, scanned: Scanned | None) -> ScanForm:
    """The scan field. On opening and after a scan it has the focus and is empty, also where the scan was
    refused (the message shows it): left there, it would stand before the next scan and keep the form from
    being logged.
    """
    form = ScanForm(initial={"scan": "" if scanned else request.POST.get("scan", "")})
    form.fields["scan"].help_text = HELP
    form.fields["scan"].widget.attrs |= {"autofocus": True} if scanned else {"data-first": True}
    return form


def add_scan(request: HttpRequest, rows: list[Raw], desk: Desk) -> Scanned:
    """Read the scan and count it into the rows as typed; a scan that may not go out leaves them alone."""
    text = request.POST.get("scan", "")
    scanned = _read_in(text, rows, desk, day=_day_typed(request, desk))
    return replace(scanned, text=text[:MOST_SHOWN].replace(gs1.SEPARATOR, "␝"))


def _read_in(text: str, rows: list[Raw], desk: Desk, *, day: date) -> Scanned:
    """The same for a scan by itself, on the day of the dispense."""
    scan = gs1.parse(text, year=desk.today.year)
    if isinstance(scan, Problem):
        return Scanned(rows, problem=PROBLEMS[scan.reason])
    if not scan.gtin and not scan.hibc:
        return Scanned(rows, problem=NO_ITEM_NUMBER)
    item = next((item for item in desk.items if _is_named(item, scan)), None)
    if item is None:
        return _unknown(rows, scan, desk.today)
    if stopped := _stopped(item, scan, desk, day):
        return Scanned(rows, problem=f"{item}: {stopped}")
    if scan.serial and any(row["serial"] == scan.serial and row["part"] == f"item:{item.pk}" for row in rows):
        return Scanned(rows, problem=f"Serial {scan.serial} is in the list already: one scan for each pack.")
    return _count_in(rows, item, scan)


def _is_named(item: CatalogueItem, scan: Scan) -> bool:
    if scan.hibc:
        return bool(item.hibc) and item.hibc == hibc_item(scan.hibc)
    return item.gtin.zfill(14) == scan.gtin


def _stopped(item: CatalogueItem, scan: Scan, desk: Desk, day: date) -> str:
    """Why one of the item may not go out at all; empty: nothing of that kind."""
    line = NewLine(quantity=1, item=item, lot=scan.lot, expires_on=scan.expires_on)
    stops = desk.known.against([line], on=day, shipped=False, zone=desk.here.time_zone)[0]
    stop = next((stop for stop in stops if stop.code in AT_ONCE), None)
    if stop is None:
        return ""
    by_hand = " For that, choose it in a row below." if stop.liftable else ""
    return words(stop, line, desk.known, on=day) + by_hand


def _count_in(rows: list[Raw], item: CatalogueItem, scan: Scan) -> Scanned:
    """The rows with one more of the item in them."""
    cautions = [SWALLOWED] if Warn.SWALLOWED in scan.warnings else []
    if _is_typed(rows, item):
        cautions.append(TYPED.format(kind_word(item.kind).lower()))
    position = _place(rows, item, scan)
    if position is None:
        return Scanned(rows, problem=FULL)
    rows[position] = _counted(rows[position], item, scan)
    rows = [_emptied(row) if row["kind"] == item.kind and _is_untouched(row) else row for row in rows]
    return Scanned(rows, _done(item, rows[position], rows), tuple(cautions))


def _place(rows: list[Raw], item: CatalogueItem, scan: Scan) -> int | None:
    """Where the scan is counted, a new row at the end if need be; None where the form is full."""
    told = (f"item:{item.pk}", scan.lot, _iso(scan.expires_on), scan.serial)
    for position, row in enumerate(rows):
        is_count = row["scanned"] and row["quantity"].isdecimal() and len(row["quantity"]) < 5
        if is_count and (row["part"], row["lot"], row["expires_on"], row["serial"]) == told:
            return position
    for kind in (item.kind, ""):
        for position, row in enumerate(rows):
            if row["kind"] == kind and _is_untouched(row):
                return position
    if len(rows) >= MOST_ROWS:
        return None
    rows.append(blank_row())
    return len(rows) - 1


def _is_untouched(row: Raw) -> bool:
    """Whether the row is as the form opened it, or empty."""
    if row["scanned"] or any(row[name] for name in _TYPED_ONLY):
        return False
    is_empty = not any(row[name] for name in ("quantity", "lot", "expires_on"))
    return offer_of(row) == row["offered"] or (is_empty and bool(row["kind"] or not row["part"]))


_TYPED_ONLY = ("serial", "first_use_on", "billed", "exception_reason", "notice", "notice_on")


def _is_typed(rows: list[Raw], item: CatalogueItem) -> bool:
    """Whether someone typed a quantity of such parts, which scans leave alone."""
    same = [row for row in rows if row["kind"] == item.kind or row["part"] == f"item:{item.pk}"]
    return any(row["quantity"] and not row["scanned"] and not _is_untouched(row) for row in same)


def _emptied(row: Raw) -> Raw:
    return offered(blank_row(kind=row["kind"], part=row["part"]))


def _counted(row: Raw, item: CatalogueItem, scan: Scan) -> Raw:
    """The row with one more of the item."""
    count = int(row["quantity"]) + 1 if row["scanned"] else 1
    told = {"part": f"item:{item.pk}", "lot": scan.lot, "expires_on": _iso(scan.expires_on)}
    return row | told | {"quantity": str(count), "serial": scan.serial, "scanned": "1", "size_kept": ""}


def _unknown(rows: list[Raw], scan: Scan, today: date) -> Scanned:
    """What to do with a part that the catalogue does not offer."""
    field, number = ("gtin", scan.gtin) if scan.gtin else ("hibc", scan.hibc)
    said = f"the GTIN {scan.gtin}" if scan.gtin else f"the HIBC code {scan.hibc}"
    known = item_named(gtin=scan.gtin, hibc=hibc_item(scan.hibc) if scan.hibc else "")
    if known is not None:
        return Scanned(rows, problem=f"{known} is no longer offered. Take another, or choose a row below.")
    told = [f"lot {scan.lot}"] if scan.lot else []
    if scan.expires_on:
        told.append(f"expires {day_words(scan.expires_on, today=today)}")
    rest = f" ({', '.join(told)})" if told else ""
    problem = (
        f"The catalogue offers no item with {said}{rest}. To give it now, choose the part in a row below and "
        "type what the pack says."
    )
    return Scanned(rows, problem=problem, unknown=(field, number))


def _done(item: CatalogueItem, row: Raw, rows: Sequence[Raw]) -> str:
    lot = f", lot {row['lot']}" if row["lot"] else ""
    same = [r["quantity"] for r in rows if r["scanned"] and r["part"] == row["part"]]
    count = sum(int(quantity) for quantity in same if quantity.isdecimal() and len(quantity) < 5)
    return f"Added: {item}{lot}. Scanned so far: {count}. Not logged yet."


def _day_typed(request: HttpRequest, desk: Desk) -> date:
    """The day of the dispense as typed; today where that is no day the clinic could have given it on."""
    try:
        day = date.fromisoformat(request.POST.get("dispensed_on", ""))
    except ValueError:
        return desk.today
    return day if desk.person.birth_date <= day <= desk.today else desk.today


def _iso(day: date | None) -> str:
    return day.isoformat() if day else ""
