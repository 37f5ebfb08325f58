"""What a check of a packet found, in words."""

from collections.abc import Iterable

from resupply.queries.packets import Difference

_WHY = {
    "edited": "was changed after the packet was made. No page changes this part of such a record.",
    "unrecorded": "is not what the record's own history says: it was changed past the program.",
    "gone": "is not in the database any more.",
    "document": "differs from what was handed out.",
}


def differences_in_words(found: Iterable[Difference]) -> list[tuple[str, str, str]]:
    """Record, field and what about it, each once."""
    return [
        (row.record or row.section, row.field.removesuffix("_id").replace("_", " "), _WHY[row.why])
        for row in found
    ]
