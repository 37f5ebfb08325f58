"""A scan on a page of stock: which item it is, and what to say where it cannot be counted.

A scanner ends with Enter, and Enter never posts here: a filled scan field is read and counted, whatever
button was pressed, and an empty one brings the same page back.
"""

from dataclasses import dataclass
from datetime import date
from urllib.parse import urlencode

from django.contrib import messages
from django.http import HttpRequest
from django.urls import reverse

from resupply.models import CatalogueItem
from resupply.queries.stock import item_named
from resupply.rules import gs1
from resupply.rules.gs1 import Problem, Scan, Warn
from resupply.rules.item_numbers import hibc_item
from resupply.web.desk.forms import ScanForm
from resupply.web.desk.scanning import MOST_SHOWN, PROBLEMS

NO_NUMBER = "This code holds no item number. Scan the code with (01) on the pack."
SWALLOWED = "The scanner may have dropped a separator. Compare lot and expiry with the pack."
HELP = "The code on the pack, scanned or typed as printed. Each scan adds one; nothing is recorded by it."


@dataclass(frozen=True, slots=True)
class Found:
    """The item that was scanned, with what the label says."""

    text: str
    item: CatalogueItem
    scan: Scan
    cautions: tuple[str, ...] = ()

    def said(self, *, done: str = "", problem: str = "") -> "Said":
        """What the page says, once it was counted or refused."""
        return Said(done, problem, self.text, cautions=self.cautions)


@dataclass(frozen=True, slots=True)
class Said:
    """What the page says of a scan: `done`, or the `problem`; a new number comes with an offer to add it."""

    done: str = ""
    problem: str = ""
    text: str = ""
    new_gtin: str = ""
    new_hibc: str = ""
    cautions: tuple[str, ...] = ()

    @property
    def is_new(self) -> bool:
        """Whether the number belongs to no item yet."""
        return bool(self.new_gtin or self.new_hibc)


def has_scan(request: HttpRequest) -> bool:
    """Whether something was scanned."""
    return bool(request.POST.get("scan", "").strip())


def scan_form(*, focus: bool) -> ScanForm:
    """The scan field, empty; after a scan it has the focus for the next."""
    form = ScanForm()
    form.fields["scan"].help_text = HELP
    if focus:
        form.fields["scan"].widget.attrs["autofocus"] = True
    return form


def read(request: HttpRequest, *, today: date) -> Found | Said:
    """The item that was scanned, or why there is none."""
    typed = request.POST.get("scan", "")
    text = typed[:MOST_SHOWN].replace(gs1.SEPARATOR, "␝")
    scan = gs1.parse(typed, year=today.year)
    if isinstance(scan, Problem):
        return Said(problem=PROBLEMS[scan.reason], text=text)
    if not scan.gtin and not scan.hibc:
        return Said(problem=NO_NUMBER, text=text)
    item = item_named(gtin=scan.gtin, hibc=hibc_item(scan.hibc) if scan.hibc else "")
    if item is None:
        named = f"GTIN {scan.gtin}" if scan.gtin else "HIBC code"
        problem = f"No item of the catalogue has this {named}."
        return Said(problem=problem, text=text, new_gtin=scan.gtin, new_hibc=scan.hibc)
    return Found(text, item, scan, (SWALLOWED,) if Warn.SWALLOWED in scan.warnings else ())


def tell(request: HttpRequest, said: Said | None) -> None:
    """Say what a scan did among the messages of the page, where it is also heard."""
    if said is not None and said.done:
        messages.success(request, said.done)


def new_item_url(request: HttpRequest, said: Said | None, may_add: bool) -> str:
    """Where the item of an unknown number is added, for those who may."""
    if said is None or not said.is_new or not may_add:
        return ""
    query = urlencode({"gtin": said.new_gtin, "hibc": said.new_hibc, "next": request.path})
    return f"{reverse('manager:item_new')}?{query}"
