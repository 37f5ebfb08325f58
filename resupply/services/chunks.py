"""Many values, so many at a time."""

from collections.abc import Collection, Iterator
from typing import TypeVar

T = TypeVar("T")
CHUNK = 5_000
"""Values in one IN (...)."""


def chunks(values: Collection[T], *, size: int = CHUNK) -> Iterator[list[T]]:
    """The values in lists of at most `size`."""
    listed = list(values)
    for start in range(0, len(listed), size):
        yield listed[start : start + size]
