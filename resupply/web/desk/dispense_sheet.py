"""The dispense form as a whole: as it opens, as it comes back after a scan, a row more or a back order, and
as it was sent.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any
from uuid import UUID, uuid4

from django.contrib import messages
from django.forms import BaseFormSet

from resupply.models import BackOrder, Fitting, Given, Handover, RefillAnswerItem
from resupply.queries import fittings, stock
from resupply.services import back_orders
from resupply.services.errors import Refused
from resupply.web import access
from resupply.web.access import StaffRequest
from resupply.web.desk.dispense_desk import Desk, Said
from resupply.web.desk.dispense_forms import MOST_ROWS, DispenseForm, Raw, RowForm, RowFormSet, offered
from resupply.web.desk.scanning import Scanned, add_scan, is_scan
from resupply.web.line_rows import LineRow
from resupply.web.wording import KIND_WORDS, kind_word


@dataclass(frozen=True, slots=True)
class Row:
    """One row as shown: its form, the line it stands for (None: any part), what is said of it. `is_more`: a
    further lot of the row above it.
    """

    form: RowForm
    line: LineRow | None
    is_more: bool
    said: Said
    yes: RefillAnswerItem | None
    next_on: date | None
    sizes: list[str]

    @property
    def name(self) -> str:
        """What the row is called."""
        kind = str(self.form["kind"].value() or "")
        if kind not in KIND_WORDS:
            return "Another part"
        return f"{KIND_WORDS[kind]}, next lot" if self.is_more else KIND_WORDS[kind]

    @property
    def grave(self) -> list[str]:
        """What stops it for good, as far as no error at the row says it."""
        return [text for text in self.said.grave if text not in self._errors]

    @property
    def outside(self) -> list[str]:
        """What lies outside the limits, as far as no error at the row says it."""
        return [text for text in self.said.outside if text not in self._errors]

    @property
    def is_outside(self) -> bool:
        """Whether an exception is asked for, or was typed."""
        return bool(self.said.outside) or self.form.is_excepted

    @property
    def _errors(self) -> set[str]:
        return {str(text) for texts in self.form.errors.values() for text in texts}


@dataclass(slots=True)
class Sheet:
    """The form as a whole: its head, its rows as they travelled, and what was done to them but logging."""

    desk: Desk
    head: DispenseForm
    formset: "BaseFormSet[RowForm]"
    raw: list[Raw]
    answered: Mapping[str, RefillAnswerItem] | None = None
    """What the answer that the form was opened from says yes to."""
    fitting: Fitting | None = None
    """The fitting that the form was opened from."""
    order: BackOrder | None = None
    """The back order that it was opened from."""
    is_sent: bool = False
    scanned: Scanned | None = None
    done: str = ""
    refused_short: set[int] = field(default_factory=set)
    said: list[Said] = field(default_factory=list)
    """What is said of each row; worked out when it is first asked for."""

    @property
    def is_refused(self) -> bool:
        """Whether what was sent could not be taken."""
        return self.has_errors or bool(self.scanned and self.scanned.problem)

    @property
    def has_errors(self) -> bool:
        """Whether something typed has to be mended."""
        return bool(self.head.is_bound and self.head.errors) or any(
            form.is_bound and form.errors for form in self.formset
        )

    @property
    def is_short(self) -> bool:
        """Whether some row is not in stock on record."""
        return bool(self.refused_short) or any(said.short for said in self.said)

    def shown(self) -> list[Row]:
        """The rows with all that is said of them."""
        self.said = self.said or self.desk.said_of(self.raw, self._head_values())
        desk, lines = self.desk, {line.kind: line for line in self.desk.lines}
        next_on, seen, rows = desk.next_on(self.raw), set[str](), []
        for form, raw, said in zip(self.formset, self._padded(), self._padded_said(), strict=True):
            kind, read = raw["kind"], desk.line_of(raw | {"quantity": raw["quantity"] or "1"})
            sizes = read.item.pack_sizes if read and read.item else []
            form.offer_sizes(sizes)
            is_more = bool(kind) and kind in seen
            seen.add(kind)
            rows.append(
                Row(
                    form,
                    lines.get(kind),
                    is_more,
                    said,
                    desk.known.yeses.get(kind),
                    next_on.get(kind) if desk.line_of(raw) else None,
                    sizes,
                )
            )
        return rows

    def _padded(self) -> list[Raw]:
        """The rows, and the empty ones that the form adds."""
        extra = len(self.formset.forms) - len(self.raw)
        return [*self.raw, *(dict.fromkeys(RowForm.base_fields, "") for _ in range(extra))]

    def _padded_said(self) -> list[Said]:
        return [*self.said, *(Said() for _ in range(len(self.formset.forms) - len(self.said)))]

    def _head_values(self) -> dict[str, Any]:
        return {name: self.head[name].value() for name in ("dispensed_on", "given", "supplied_by")}


def sheet_of(request: StaffRequest, desk: Desk) -> Sheet:
    """The empty, prefilled or returned form."""
    places = access.open_locations(request)
    if request.method != "POST":
        parts = {"parts": desk.part_choices(())}
        answered, fitting, order = _answered(request, desk), fitting_of(request, desk), _order(request, desk)
        raw = desk.back_ordered(order) if order else desk.first_rows(answered)
        raw = desk.fitted(fitting) if fitting else raw
        head = DispenseForm(initial=_first_head(desk, answered), locations=places)
        said = desk.said_of(raw, head.initial)
        raw = [_left_out(row) if told.grave else row for row, told in zip(raw, said, strict=True)]
        formset = RowFormSet(initial=raw, prefix="rows", form_kwargs=parts)
        return Sheet(desk, head, formset, raw, answered, fitting=fitting, order=order, said=said)
    raw = _typed(request)
    parts = {"parts": desk.part_choices({row["part"] for row in raw})}
    scanned = add_scan(request, raw, desk) if is_scan(request) and "more" not in request.POST else None
    if scanned is None and not {"more", "back_order"} & request.POST.keys():
        head = DispenseForm(request.POST, locations=places)
        formset = RowFormSet(request.POST, prefix="rows", form_kwargs=parts)
        return Sheet(desk, head, formset, raw, is_sent=True)
    raw = scanned.rows if scanned else raw
    head = DispenseForm(initial=request.POST.dict(), locations=places)
    done, refused = ("", None)
    if "back_order" in request.POST and not scanned:
        done, refused = _back_order(request, desk, raw)
    formset = RowFormSet(initial=raw, prefix="rows", form_kwargs=parts)
    formset.extra = 1 if "more" in request.POST and not scanned else 0
    if refused:
        messages.error(request, refused.message)
    return Sheet(desk, head, formset, raw, scanned=scanned, done=done)


def _left_out(row: Raw) -> Raw:
    """A row that the form filled in and that may not go out: without its quantity, its note stays."""
    return offered(row | {"quantity": "", "lot": "", "expires_on": ""})


def _answered(request: StaffRequest, desk: Desk) -> dict[str, RefillAnswerItem] | None:
    """The yeses of the answer named in the address; None: no answer is."""
    try:
        return desk.answered(UUID(request.GET["answer"]))
    except (KeyError, ValueError):
        return None


def fitting_of(request: StaffRequest, desk: Desk) -> Fitting | None:
    """The patient's fitting named in the address that kept a mask and gave out nothing yet; None: none is."""
    try:
        wanted = UUID(request.GET["fitting"])
    except (KeyError, ValueError):
        return None
    return fittings.waiting(desk.person, wanted)


def _order(request: StaffRequest, desk: Desk) -> BackOrder | None:
    """The patient's open back order named in the address; None: none is."""
    try:
        wanted = UUID(request.GET["back_order"])
    except (KeyError, ValueError):
        return None
    waiting = stock.open_back_orders((), patient_id=desk.person.pk)
    return next((order for order in waiting if order.public_id == wanted), None)


def _first_head(desk: Desk, answered: Mapping[str, RefillAnswerItem] | None) -> dict[str, Any]:
    ships = any(item.answer.handover == Handover.SHIP for item in (answered or {}).values())
    return {
        "dispensed_on": desk.today,
        "location": desk.here.pk,
        "given": Given.SHIPPED if ships else Given.IN_PERSON,
        "delivery_address": desk.person.address,
        "form_key": uuid4(),
    }


def _typed(request: StaffRequest) -> list[Raw]:
    """The rows as typed so far."""
    sent = request.POST.get("rows-TOTAL_FORMS", "")
    count = min(int(sent), MOST_ROWS) if sent.isdecimal() and len(sent) < 5 else 0
    names = RowForm.base_fields
    return [{name: request.POST.get(f"rows-{i}-{name}", "") for name in names} for i in range(count)]


def _back_order(request: StaffRequest, desk: Desk, raw: list[Raw]) -> tuple[str, Refused | None]:
    """Back-order one row instead of giving it, and empty the row; what was done, or why not."""
    place = request.POST["back_order"]
    is_row = place.isdecimal() and len(place) < 5 and int(place) < len(raw)
    line = desk.line_of(raw[int(place)]) if is_row else None
    if line is None:
        return "", Refused("no_lines", "Choose the part and enter a quantity first.")
    try:
        back_orders.back_order(
            patient=desk.person,
            location=desk.here,
            item=line.item,
            kind=line.kind.value,
            part_code=line.code,
            quantity=line.quantity,
            by=request.staff.user,
            now=desk.now,
        )
    except Refused as refusal:
        return "", refusal
    row = raw[int(place)]
    raw[int(place)] = offered(row | {"quantity": "", "lot": "", "expires_on": "", "scanned": ""})
    return f"Back-ordered: {line.quantity} × {line.item or kind_word(line.kind).lower()}.", None
