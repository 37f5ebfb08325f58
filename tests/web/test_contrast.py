"""Text can be read: every colour used for text has at least 4.5:1 on every surface, light, dark and print.

Formula and thresholds: W3C, Web Content Accessibility Guidelines 2.2 (definitions of "relative luminance" and
"contrast ratio"; success criteria 1.4.3 and 1.4.11). Tokens and uses are read from the stylesheet itself.
"""

import re
from itertools import product
from pathlib import Path

import pytest

CSS = re.sub(
    r"/\*.*?\*/", "", Path("resupply/static/resupply/evenkeep.css").read_text(encoding="utf-8"), flags=re.S
)
FILLED = {"spruce", "spruce-deep", "brick", "brick-deep"}
"""Surfaces of buttons and bars: they carry paper-coloured text and nothing else."""


def tokens(block: str) -> dict[str, str]:
    return dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", block))


BLOCKS = [tokens(block) for block in re.findall(r":root \{(.*?)\}", CSS, flags=re.S)]
LIGHT, DARK, PRINT = [block for block in BLOCKS if block]
THEMES = [
    pytest.param(LIGHT, id="light"),
    pytest.param(LIGHT | DARK, id="dark"),
    pytest.param(LIGHT | PRINT, id="print"),
]


def luminance(colour: str) -> float:
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def used(pattern: str) -> set[str]:
    return set(re.findall(pattern + r": var\(--([a-z-]+)\)", CSS))


TEXT = (
    used(r"(?<![\w-])color")
    | used(r"--bs-btn-(?:\w+-)?color")
    | set(re.findall(r"text[\w.]*? \{[^}]*?fill: var\(--(\w+)\)", CSS))
)
SURFACES = used(r"(?<![\w-])background(?:-color)?") | used(r"--bs-btn-(?:\w+-)?bg") | used("--bs-body-bg")


def test_the_formula_gives_the_known_values() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#ffffff", "#ffffff") == pytest.approx(1)
    assert contrast("#767676", "#ffffff") == pytest.approx(
        4.54, abs=0.005
    )  # the usual limit case; from memory


def test_the_stylesheet_was_read() -> None:
    assert {"ink", "soft", "spruce", "brick", "ochre", "paper"} == TEXT - {"spruce-deep"}
    assert {
        "paper",
        "sheet",
        "well",
        "spruce-wash",
        "brick-wash",
        "ochre-wash",
        "spruce",
        "brick",
    } <= SURFACES
    assert LIGHT.keys() == DARK.keys() == PRINT.keys()


@pytest.mark.parametrize("theme", THEMES)
def test_text_has_enough_contrast_on_every_surface(theme: dict[str, str]) -> None:
    pairs = [*product(TEXT - {"paper"}, SURFACES - FILLED), *product({"paper"}, FILLED)]
    poor = {
        f"{a} on {b}": round(contrast(theme[a], theme[b]), 2)
        for a, b in pairs
        if contrast(theme[a], theme[b]) < 4.5
    }
    assert not poor


@pytest.mark.parametrize("theme", THEMES)
def test_edges_of_fields_and_marks_of_strips_can_be_seen(theme: dict[str, str]) -> None:
    for mark, surface in product(("edge", "spruce", "brick", "ochre", "ink"), ("paper", "sheet")):
        assert contrast(theme[mark], theme[surface]) >= 3, f"{mark} on {surface}"


def test_no_colour_stands_outside_the_tokens() -> None:
    rest = re.sub(r"url\(.*?\)", "", re.sub(r":root \{.*?\}", "", CSS, flags=re.S))
    assert not re.findall(r"#[0-9a-f]{3,8}\b", rest)
    assert set(re.findall(r"(?<![\w-])color: ([^;]+);", rest)) <= {f"var(--{name})" for name in TEXT} | {
        "inherit"
    }
    assert set(re.findall(r"stroke='%23(\w{6})'", CSS)) == {LIGHT["soft"][1:], DARK["soft"][1:]}
