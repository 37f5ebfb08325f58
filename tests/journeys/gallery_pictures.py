"""Pictures of the gallery, made so that they are the same on any machine: one typeface that comes with a
locked package, and cells of eight by eight pixels, whose means hardly feel how glyphs are smoothed.

`RENEW_GALLERY=1 .venv/bin/pytest -n 0 tests/journeys/test_gallery.py` keeps the pictures of today instead of
comparing; look at them before they are committed.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

from PIL import Image, ImageChops
from PIL.PngImagePlugin import PngInfo

KEPT = Path(__file__).parent / "gallery"
CELL = 8
UNLIKE = 20
"""Of 255, in any of three colours: two cells that differ by more do not look the same."""
BOXES = """() => [...document.querySelectorAll('[data-part]')].map((part) => {
  const box = part.getBoundingClientRect();
  return [part.dataset.part, box.x + scrollX, box.y + scrollY, box.width, box.height].map(
    (value) => typeof value === 'number' ? Math.round(value) : value);
})"""

Parts = Mapping[str, Image.Image]


@dataclass(frozen=True, slots=True)
class Difference:
    """How a part differs: cells that look other, of how many; `size`: where it grew or shrank."""

    cells: int
    of: int
    size: str = ""

    @property
    def is_seen(self) -> bool:
        """Whether somebody would notice: a size, or more than two cells and two in a thousand."""
        return bool(self.size) or self.cells > 2 + self.of // 500

    def __str__(self) -> str:
        return self.size or f"{self.cells} of {self.of} cells"


def parts(taken: bytes, boxes: list[tuple[str, int, int, int, int]]) -> Parts:
    """The parts of a page's picture by name, each a cell to a pixel."""
    page = Image.open(BytesIO(taken)).convert("RGB")
    found = {}
    for name, left, top, width, height in boxes:
        size = (max(width // CELL, 1), max(height // CELL, 1))
        box = (left, top, left + size[0] * CELL, top + size[1] * CELL)
        found[name] = page.crop(box).resize(size, Image.Resampling.BOX)
    return found


def compare(one: Image.Image, other: Image.Image) -> Difference:
    """Cell by cell; a part may be one cell larger or smaller, as native fields differ by a pixel."""
    if max(abs(a - b) for a, b in zip(one.size, other.size, strict=True)) > 1:
        return Difference(0, 0, f"{one.size} cells, was {other.size}")
    both = (0, 0, min(one.width, other.width), min(one.height, other.height))
    bands = ImageChops.difference(one.crop(both), other.crop(both)).split()
    worst = ImageChops.lighter(ImageChops.lighter(bands[0], bands[1]), bands[2])
    counts = worst.histogram()
    return Difference(sum(counts[UNLIKE + 1 :]), sum(counts))


def keep(name: str, found: Parts) -> None:
    """Write the parts as one small picture, under each other; their names and sizes go into the file."""
    height = sum(part.height for part in found.values())
    sheet = Image.new("RGB", (max(part.width for part in found.values()), height))
    top, sizes = 0, []
    for part, picture in found.items():
        sheet.paste(picture, (0, top))
        sizes.append([part, picture.width, picture.height])
        top += picture.height
    about = PngInfo()
    about.add_text("parts", json.dumps(sizes))
    KEPT.mkdir(exist_ok=True)
    sheet.save(KEPT / f"{name}.png", pnginfo=about, optimize=True)


def kept(name: str) -> Parts:
    """The parts as they were kept."""
    sheet = Image.open(KEPT / f"{name}.png")
    found, top = {}, 0
    for part, width, height in json.loads(sheet.info["parts"]):
        found[part] = sheet.crop((0, top, width, top + height)).convert("RGB")
        top += height
    return found
