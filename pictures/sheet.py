"""What is kept of a walk: a contact sheet and the table of what the eye waits for."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from html import escape
from pathlib import Path

from pictures.speed import MOST_BYTES, MOST_KEY_MS, MOST_SHIFT, UNSEEN_MS, Seen, Typed

STYLE = """
body { font: 15px/1.45 ui-sans-serif, system-ui, sans-serif; margin: 28px; color: #1d2830 }
h2 { margin: 40px 0 10px } h3 { font-size: 15px; margin: 22px 0 6px }
.row { display: flex; gap: 10px; align-items: flex-start; overflow-x: auto }
a { display: block; flex: none } figcaption { font-size: 12px; color: #57646d }
figure { margin: 0 } img { border: 1px solid #e2ddd2; max-height: 420px; object-fit: cover;
  object-position: top }
.w1440 { width: 340px } .w768 { width: 190px } .w360 { width: 96px } .print { width: 170px }
"""


def contact_sheet(taken: Mapping[str, Sequence[str]]) -> str:
    """One HTML page, by role and page; `taken`: names of files by role, in the order they were made."""
    parts = [
        "<!doctype html><meta charset=utf-8><title>Every page</title>",
        f"<style>{STYLE}</style><h1>Every page</h1>",
    ]
    for role, files in taken.items():
        parts.append(f"<h2>{escape(role)}</h2>")
        for page, pictures in _by_page(files):
            parts += [
                f"<h3>{escape(page)}</h3><div class=row>",
                *(_figure(role, one) for one in pictures),
                "</div>",
            ]
    return "\n".join(parts)


def _by_page(files: Iterable[str]) -> Iterator[tuple[str, list[str]]]:
    pages: dict[str, list[str]] = {}
    for file in files:
        stem = Path(file).stem
        page = stem.removesuffix("-print") if stem.endswith("-print") else stem.rsplit("-", 2)[0]
        pages.setdefault(page, []).append(file)
    yield from pages.items()


def _figure(role: str, file: str) -> str:
    words = Path(file).stem.rsplit("-", 2)
    kind = "print" if words[-1] == "print" else f"w{words[-2]}"
    label = "print" if kind == "print" else f"{words[-2]} {words[-1]}"
    source = escape(f"{role}/{file}")
    image = f'<img class="{kind}" loading="lazy" src="{source}" alt="">'
    return f'<figure><a href="{source}">{image}</a><figcaption>{label}</figcaption></figure>'


def speed_table(seen: Sequence[Seen], typed: Sequence[Typed], machine: str) -> str:
    """Markdown: the three worst against their limits, every key, every page."""
    lines = [
        "# Speed to the eye",
        "",
        f"{machine}. Nothing cached, the site and the browser on the same machine.",
    ]
    lines += ["", *(f"- {line}" for line in verdicts(seen, typed)), ""]
    lines += ["| keys in | keys | slowest, press to paint | answer on the screen |", "|---|--:|--:|--:|"]
    lines += [
        f"| {one.where} | {one.keys} | {_key(one.slowest_ms)} | {_ms(one.answer_ms)} |" for one in typed
    ]
    lines += ["", "| page | as | width | sent, kB | requests | first paint, ms | layout shift |"]
    lines += ["|---|---|--:|--:|--:|--:|--:|"]
    for one in sorted(seen, key=lambda one: -one.bytes):
        lines.append(
            f"| {one.name} | {one.role} | {one.width} | {one.bytes / 1000:.1f} | {one.requests} "
            f"| {_ms(one.paint_ms)} | {one.shift:.4f} |"
        )
    return "\n".join(lines) + "\n"


def verdicts(seen: Sequence[Seen], typed: Sequence[Typed]) -> Iterator[str]:
    """The worst of each against its limit, in words."""
    if seen:
        largest, jumpy = max(seen, key=lambda one: one.bytes), max(seen, key=lambda one: one.shift)
        slow = max(seen, key=lambda one: one.paint_ms or 0)
        yield (
            f"largest page: {largest.name}, {largest.bytes / 1000:.1f} kB of {MOST_BYTES / 1000:.0f} allowed"
            f"{_over(largest.bytes > MOST_BYTES)}"
        )
        yield (
            f"most layout shift: {jumpy.name} at {jumpy.width}, {jumpy.shift:.4f} of {MOST_SHIFT} allowed"
            f"{_over(jumpy.shift > MOST_SHIFT)}"
        )
        yield f"slowest first paint: {slow.name} at {slow.width}, {_ms(slow.paint_ms)} ms"
    if typed:
        late = max(typed, key=lambda one: one.slowest_ms)
        yield (
            f"slowest key: {late.where}, {_key(late.slowest_ms)} ms of {MOST_KEY_MS:.0f} allowed"
            f"{_over(late.slowest_ms > MOST_KEY_MS)}"
        )


def is_over(seen: Sequence[Seen], typed: Sequence[Typed]) -> bool:
    """Whether anything is past its limit."""
    return any(_over(True) in line for line in verdicts(seen, typed))


def _over(too_much: bool) -> str:
    return ": OVER THE LIMIT" if too_much else ""


def _ms(value: float | None) -> str:
    return "" if value is None else f"{value:.0f}"


def _key(value: float) -> str:
    return f"at most {UNSEEN_MS:.0f}" if value <= UNSEEN_MS else f"{value:.0f}"
