"""How far an import is, told to whoever started it."""

from collections.abc import Callable

Tell = Callable[[str, int, int], None]
"""Called with a stage (`read`, `check`, `write` or `plans`), how many rows or patients are done, and how many
there are. It may raise to stop the import; then nothing is written."""


def untold(stage: str, done: int, of: int) -> None:
    """Tell nobody."""
