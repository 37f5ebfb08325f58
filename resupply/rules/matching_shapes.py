"""What may stand in each field of a row of the matching table, and where in the text a row stands.

Every field has one shape, whichever row it is in. A row's line is known where each row of its sort begins
with its own `[[sort]]`; of a table written otherwise the place is named without a line.

>>> fault_of("weight", True)
'write a whole number'
>>> fault_of("styles", ["nasal"]) is None
True
>>> lines = Lines('suits_from = 1\\n[[style]]\\nid = "a"\\nname = 3\\n', {"style": 1})
>>> lines.of("style", 0), lines.of("style", 0, "name"), lines.of("", 0, "suits_from")
(2, 4, 1)

Source: ours.
"""

import re
from collections.abc import Callable, Mapping
from typing import TypeGuard

LONGEST_ID = 30
"""Characters: what a match on record keeps of a style."""
LONGEST_VALUE = 60
_ID = re.compile(rf"[a-z0-9_]{{1,{LONGEST_ID}}}")
_VALUE = re.compile(rf"[A-Za-z0-9_:.-]{{1,{LONGEST_VALUE}}}")
_ROW = re.compile(r"\s*\[\[\s*[\"']?([A-Za-z0-9_-]+)[\"']?\s*\]\]\s*(?:#.*)?")


def is_whole(value: object) -> TypeGuard[int]:
    """Whether it is a whole number; yes and no are none."""
    return isinstance(value, int) and not isinstance(value, bool)


def is_number(value: object) -> TypeGuard[int | float]:
    """Whether it is a number that others can be compared with."""
    return is_whole(value) or (isinstance(value, float) and abs(value) < float("inf"))


def are_texts(value: object) -> TypeGuard[list[str]]:
    """Whether it is a list of texts."""
    return isinstance(value, list) and all(isinstance(one, str) for one in value)


def _is_id(value: object) -> bool:
    return isinstance(value, str) and _ID.fullmatch(value) is not None


def _is_text(value: object) -> bool:
    return isinstance(value, str) and bool(value.strip()) and "\0" not in value


def _is_free(value: object) -> bool:
    return isinstance(value, str) and "\0" not in value


def _are_pairs(value: object) -> bool:
    return isinstance(value, list) and all(
        are_texts(one) and len(one) == 2 and _VALUE.fullmatch(one[0]) and _is_text(one[1]) for one in value
    )


def _is_condition(value: object) -> bool:
    return isinstance(value, dict)


def _are_conditions(value: object) -> bool:
    return isinstance(value, list) and all(map(_is_condition, value))


Shape = tuple[Callable[[object], bool], str]
_TEXT: Shape = (_is_text, 'write some text in quotes, as in "Nasal mask"')
_SHAPES: Mapping[str, Shape] = {
    "id": (_is_id, f"write small letters, digits and _ in quotes, at most {LONGEST_ID}"),
    "about": (_is_free, 'write text in quotes, or ""'),
    "unit": (_is_free, 'write text in quotes, or ""'),
    "watch": (_is_free, 'write text in quotes, or ""'),
    "values": (
        _are_pairs,
        'write pairs of value and words, as in [["none", "no"], ["yes", "yes"]]',
    ),
    "least": (is_whole, "write a whole number"),
    "most": (is_whole, "write a whole number"),
    "weight": (is_whole, "write a whole number"),
    "styles": (are_texts, 'write a list of styles, as in ["nasal", "hybrid"]'),
    "when": (_is_condition, "write { question = [values] }, or {} for always"),
    "unless": (_are_conditions, "write a list of conditions, as in [{ question = [values] }]"),
}


def fault_of(name: str, value: object) -> str | None:
    """What to write instead, where a field of that name cannot hold the value."""
    fits, says = _SHAPES.get(name, _TEXT)
    return None if fits(value) else says


class Lines:
    """Where rows and their fields stand in a text; lines count from 1."""

    def __init__(self, text: str, rows: Mapping[str, int]) -> None:
        """`rows`: how many rows of each sort the text holds."""
        self._lines = text.split("\n")
        self._rows = rows
        self._starts: dict[str, list[int]] = {}
        self._all = []
        for number, line in enumerate(self._lines, start=1):
            if found := _ROW.fullmatch(line):
                self._starts.setdefault(found[1], []).append(number)
                self._all.append(number)

    def of(self, sort: str, place: int, field: str = "") -> int | None:
        """The line of a field, or else of its row (counted from 0; no sort: what stands before all rows)."""
        found = self.span(sort, place) if sort else (1, min(self._all, default=len(self._lines) + 1))
        if found is None:
            return None
        begins = re.compile(rf"\s*[\"']?{re.escape(field)}[\"']?\s*=")
        own = (number for number in range(*found) if field and begins.match(self._lines[number - 1]))
        return next(own, found[0] if sort else None)

    def span(self, sort: str, place: int) -> tuple[int, int] | None:
        """The lines `[first, last)` of a row, up to the next one's; None where they are not known."""
        starts = self._starts.get(sort, [])
        if len(starts) != self._rows.get(sort, 0) or place >= len(starts):
            return None
        first = starts[place]
        return first, min((one for one in self._all if one > first), default=len(self._lines) + 1)
