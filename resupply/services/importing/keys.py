"""Natural keys of imported facts.

The same row imported twice, from two files, is one fact; two equal rows in one file are two. So the key of
a row is made of its table, its values and its occurrence: the how-manieth row of these values it is within
its file.
"""

import json
from collections import Counter
from collections.abc import Iterable
from hashlib import sha256

from resupply.services.importing.rows import AllowanceRow, DispenseRow, EventRow, LifeRow

FactRow = LifeRow | AllowanceRow | DispenseRow | EventRow


def import_keys(table: str, rows: Iterable[FactRow]) -> list[str]:
    """The keys of a file's rows, in their order: 64 hexadecimal digits each.

    Empty values are left out, so that a column added later changes no key of a row that does not use it.
    """
    seen: Counter[str] = Counter()
    keys = []
    for row in rows:
        values = {name: value for name in row.__slots__ if (value := getattr(row, name)) and name != "number"}
        text = json.dumps([table, values], ensure_ascii=False, separators=(",", ":"), default=str)
        seen[text] += 1
        keys.append(sha256(f"{seen[text]} {text}".encode()).hexdigest())
    return keys
