"""Lines a patient should have: a table whose last column is a sentence. Which parts go together is common
practice [CP] after the descriptors of the billing codes (HCPCS Level II, from memory [M]).
"""

import pytest

from resupply.rules.kinds import Kind
from resupply.rules.missing_lines import Held, missing

ALL = frozenset({Kind.MASK, Kind.CUSHION, Kind.HEADGEAR, Kind.TUBING, Kind.FILTER_REUSABLE})
FILTER = "filter_disposable|filter_reusable"
TABLE = [
    (Held(ALL, "A7034"), [], "a nasal mask with all its parts lacks nothing"),
    (
        Held(ALL - {Kind.FILTER_REUSABLE} | {Kind.FILTER_DISPOSABLE}, "A7034"),
        [],
        "of two filters one is enough",
    ),
    (Held(ALL, "A7034", has_humidifier=True), ["chamber"], "a humidifier needs a chamber"),
    (Held(ALL | {Kind.CHAMBER}, "A7034", has_humidifier=True), [], "and then nothing"),
    (
        Held(frozenset({Kind.MASK}), "A7030"),
        ["cushion", "headgear", "tubing", FILTER],
        "a full face mask alone",
    ),
    (
        Held(ALL - {Kind.CUSHION}, "A7027"),
        ["oral_cushion", "combination_pillows"],
        "a combination mask needs both of its cushions",
    ),
    (Held(ALL - {Kind.CUSHION, Kind.HEADGEAR}, "A7044"), [], "an oral interface needs neither"),
    (Held(ALL - {Kind.HEADGEAR}, "A7044"), [], "nor beside parts of the mask that was worn before it"),
    (Held(ALL - {Kind.MASK}), ["mask"], "parts of a mask without the mask"),
    (Held(frozenset({Kind.CUSHION})), ["mask", "headgear", "tubing", FILTER], "a cushion alone"),
    (Held(frozenset()), ["mask", "tubing", FILTER], "nothing on record"),
    (Held(frozenset({Kind.CHIN_STRAP, Kind.TUBING})), ["mask", FILTER], "a chin strap is no part of a mask"),
]


@pytest.mark.parametrize(("held", "lacks", "sentence"), TABLE, ids=[row[-1] for row in TABLE])
def test_what_is_missing(held: Held, lacks: list[str], sentence: str) -> None:
    assert ["|".join(gap.kinds) for gap in missing(held)] == lacks, sentence


def test_what_is_held_is_never_missing() -> None:
    for kind in Kind:
        for code in (None, "A7034", "A7030", "A7027", "A7044"):
            gaps = missing(Held(frozenset({kind}), code, has_humidifier=True))
            assert all(kind not in gap.kinds for gap in gaps)
