"""The parts within an answer: what an item may hold, and how it is stored."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from resupply.models import LARGEST_QUANTITY, Condition, RefillAnswer, RefillAnswerItem, Wish
from resupply.rules.tables import part_types
from resupply.services.errors import Refused

_ALARMING = {Condition.LEAKS, Condition.BROKEN}


@dataclass(frozen=True, slots=True, kw_only=True)
class NewItem:
    """One part within an answer: wanted or not, and why. `quantity` None: as many as are suggested."""

    kind: str
    wanted: bool
    need: str = ""
    condition: str = Condition.UNKNOWN
    quantity: int | None = None
    left: int | None = None

    @property
    def is_alarming(self) -> bool:
        """Whether the part in use is in a condition that somebody has to read of."""
        return self.condition in _ALARMING


def about_all(wish: str, codes: Mapping[str, str]) -> list[NewItem]:
    """A no without parts named is about every part the patient has."""
    return [] if wish == Wish.YES else [NewItem(kind=kind, wanted=False) for kind in codes]


def check_items(wish: str, items: Sequence[NewItem], codes: Mapping[str, str]) -> None:
    """Refuse items that no such answer can hold; `codes` are those of the patient's lines, by kind.

    Raises Refused: `no_items`; with `row`: `twice`, `kind`, `not_a_yes`, `need_missing`, `too_long`,
    `condition`, `quantity`, `left`.
    """
    if wish == Wish.YES and not any(item.wanted for item in items):
        raise Refused(
            "no_items", "Say which part the patient wants, or record “not now” where it is none.", "wish"
        )
    seen: set[str] = set()
    for row, item in enumerate(items):
        if item.kind in seen:
            raise Refused("twice", "This part is named twice.", "wanted", row=row)
        seen.add(item.kind)
        if item.kind not in codes:
            raise Refused("kind", "The patient has no such part on record.", "wanted", row=row)
        if item.wanted and wish != Wish.YES:
            raise Refused("not_a_yes", "Only a yes can ask for parts.", "wanted", row=row)
        _check_item(item, row)


def _check_item(item: NewItem, row: int) -> None:
    if item.wanted and not item.need.strip():
        raise Refused(
            "need_missing",
            "Say why the patient needs this part, here or once for all parts: without it none is shipped.",
            "need",
            row=row,
        )
    if len(item.need.strip()) > 300:
        raise Refused("too_long", "Keep this to 300 characters.", "need", row=row)
    if item.condition not in Condition.values:
        raise Refused("condition", "Choose how the part in use is.", "condition", row=row)
    if item.quantity is not None and not 1 <= item.quantity <= LARGEST_QUANTITY:
        raise Refused("quantity", f"Enter a quantity from 1 to {LARGEST_QUANTITY}.", "quantity", row=row)
    if item.left is not None and not 0 <= item.left <= LARGEST_QUANTITY:
        raise Refused("left", f"Enter a number from 0 to {LARGEST_QUANTITY}.", "left", row=row)


def rows_of(
    answer: RefillAnswer, items: Sequence[NewItem], codes: Mapping[str, str]
) -> Iterator[RefillAnswerItem]:
    """The items as stored: with the code the line is refilled with, and its description."""
    for item in items:
        code = codes[item.kind]
        yield RefillAnswerItem(
            answer=answer,
            kind=item.kind,
            part_code=code,
            description=part_types()[code].name,
            wanted=item.wanted,
            quantity=item.quantity if item.wanted else None,
            need=item.need.strip(),
            condition=item.condition,
            left=item.left,
        )


def says(answer: RefillAnswer, wish: str, items: Sequence[NewItem], note: str) -> bool:
    """Whether an answer on record is this one; without `items` it is about all, as in `about_all`."""
    kept = [
        (row.kind, row.wanted, row.quantity, row.need, row.condition, row.left)
        for row in answer.items.order_by("pk")
    ]
    said = [
        (
            item.kind,
            item.wanted,
            item.quantity if item.wanted else None,
            item.need.strip(),
            item.condition,
            item.left,
        )
        for item in items
    ]
    return (answer.wish, answer.note) == (wish, note.strip()) and (not items or kept == said)
