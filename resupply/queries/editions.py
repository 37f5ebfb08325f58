"""Which edition of the plans is shown, and which one is being worked out beside it."""

from dataclasses import dataclass
from typing import Self

from resupply.models import PolicyDraft

CURRENT = """ARRAY(
    SELECT unnest(ARRAY[edition.number, draft.edition, draft.id])
    FROM resupply_planedition edition LEFT JOIN resupply_policydraft draft ON draft.id = edition.staged_id)"""
"""A column for a query on any table, for `Editions.read`: a refresh saves a query by it."""


@dataclass(frozen=True, slots=True)
class Editions:
    """`number`: the edition that readers see. `staged`: the number of the next one, while it is worked out
    for the draft `draft_id`.
    """

    number: int = 0
    staged: int | None = None
    draft_id: int | None = None

    @classmethod
    def read(cls, column: list[int | None]) -> Self:
        """From the column above."""
        return cls(column[0] or 0, column[1], column[2]) if column else cls()

    def draft(self) -> PolicyDraft | None:
        """The draft of the staged edition. One query, where there is one."""
        return PolicyDraft.objects.get(pk=self.draft_id) if self.draft_id is not None else None
