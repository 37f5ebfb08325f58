"""The rows a dispense opens with: the same again, for the mask the patient wears, from the lots that expire
first; or exactly what the patient said yes to.
"""

from collections.abc import Mapping, Sequence

from resupply.models import BackOrder, CatalogueItem, DispenseLine, Fitting, RefillAnswerItem
from resupply.queries.stock import Lot
from resupply.rules.kinds import REFIT_KINDS
from resupply.web.desk.dispense_forms import Raw, blank_row, offered
from resupply.web.line_rows import LineRow


def usual_items(
    lines: Sequence[LineRow], latest: Mapping[str, DispenseLine], items: Sequence[CatalogueItem], worn: str
) -> dict[str, CatalogueItem]:
    """The item each line is refilled with, by kind; a line without one is left out."""
    found = {line.kind: _usual_item(line, latest.get(line.kind), items, worn) for line in lines}
    return {kind: item for kind, item in found.items() if item is not None}


def usual_rows(
    lines: Sequence[LineRow], usual: Mapping[str, CatalogueItem], lots: Mapping[int, Sequence[Lot]]
) -> list[Raw]:
    """A row for each line with as many as are suggested today; one more where a lot is not enough."""
    rows: list[Raw] = []
    for line in lines:
        rows += _rows(line.kind, line.plan.code, line.status.quantity_suggested, usual.get(line.kind), lots)
    return rows


def answered_rows(
    lines: Sequence[LineRow],
    usual: Mapping[str, CatalogueItem],
    lots: Mapping[int, Sequence[Lot]],
    answered: Mapping[str, RefillAnswerItem],
) -> list[Raw]:
    """The same rows with quantities for exactly the parts that the patient said yes to."""
    rows: list[Raw] = []
    for line in lines:
        wanted = answered.get(line.kind)
        quantity = (wanted.quantity or line.status.quantity_suggested or 1) if wanted else 0
        code = wanted.part_code if wanted else line.plan.code
        item = usual.get(line.kind)
        rows += _rows(line.kind, code, quantity, item if item and item.part_code == code else None, lots)
    for kind in [kind for kind in answered if kind not in {line.kind for line in lines}]:
        rows += _rows(kind, answered[kind].part_code, answered[kind].quantity or 1, None, lots)
    return rows


def fitted_rows(
    fitting: Fitting,
    lines: Sequence[LineRow],
    usual: Mapping[str, CatalogueItem],
    lots: Mapping[int, Sequence[Lot]],
) -> list[Raw]:
    """The mask that a fitting kept, in the size kept, and the usual rows of what belongs to no mask."""
    item = fitting.item_kept
    rows = _rows(item.kind, item.part_code, 1, item, lots) if item else []
    if item and item.pack_sizes:
        rows = [offered(row | {"size_kept": fitting.size_kept}) for row in rows]
    return rows + usual_rows([line for line in lines if line.plan.kind not in REFIT_KINDS], usual, lots)


def back_ordered_rows(
    order: BackOrder,
    lines: Sequence[LineRow],
    usual: Mapping[str, CatalogueItem],
    lots: Mapping[int, Sequence[Lot]],
) -> list[Raw]:
    """What was back-ordered, as many as were, and the patient's other lines without a quantity."""
    item = order.item or usual.get(order.kind)
    fits = item is not None and item.part_code == order.part_code
    rows = _rows(order.kind, order.part_code, order.quantity, item if fits else None, lots)
    for line in lines:
        if line.kind != order.kind:
            rows += _rows(line.kind, line.plan.code, 0, usual.get(line.kind), lots)
    return rows


def _usual_item(
    line: LineRow, latest: DispenseLine | None, items: Sequence[CatalogueItem], worn: str
) -> CatalogueItem | None:
    """The item given last, where it has the line's code and fits the mask worn; else the one that does."""
    belongs = line.plan.kind in REFIT_KINDS and bool(worn)

    def fits(item: CatalogueItem) -> bool:
        is_same = item.kind == line.kind and item.part_code == line.plan.code
        return is_same and (not belongs or not item.family or item.family.casefold() == worn.casefold())

    if latest is not None and latest.item is not None and fits(latest.item):
        return latest.item
    others = [item for item in items if fits(item) and (not belongs or item.family)]
    same_size = [item for item in others if latest and latest.item and item.size == latest.item.size]
    if belongs and (same_size or len(others) == 1):
        return (same_size or others)[0]
    return None


def _rows(
    kind: str, code: str, quantity: int, item: CatalogueItem | None, lots: Mapping[int, Sequence[Lot]]
) -> list[Raw]:
    """One part as rows, one a lot."""
    part = f"item:{item.pk}" if item else f"code:{code}"
    if not quantity:
        return [offered(blank_row(kind=kind, part=part))]
    rows, left = [], quantity
    for lot in lots.get(item.pk, ()) if item else ():
        taken = min(lot.on_hand, left)
        expires = lot.expires_on.isoformat() if lot.expires_on else ""
        rows.append(blank_row(kind=kind, part=part, quantity=str(taken), lot=lot.lot, expires_on=expires))
        left -= taken
        if not left:
            break
    if left:
        rows.append(blank_row(kind=kind, part=part, quantity=str(left)))
    return [offered(row) for row in rows]
