"""What the eye waits for: transfer, requests, first paint and shifts of a page with nothing cached, and from
a key press to its paint.

Layout shift is the browser's own measure (W3C, Layout Instability; the sum of a page's shifts that no input
caused), a key press the browser's time from the event to the next frame (W3C, Event Timing, in steps of 8 ms;
what takes under 16 ms is not reported).
"""

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from playwright.sync_api import Page

MOST_BYTES, MOST_SHIFT, MOST_KEY_MS = 150_000, 0.02, 100.0
UNSEEN_MS = 16.0
"""Below this the browser reports nothing of an event."""
WATCH_SHIFTS = """
window.shifts = [];
new PerformanceObserver((list) => {
  for (const one of list.getEntries()) if (!one.hadRecentInput) window.shifts.push(one.value);
}).observe({ type: 'layout-shift', buffered: true });
"""
READ = """() => ({
  paint: performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? null,
  shift: window.shifts.reduce((sum, one) => sum + one, 0),
})"""
WATCH_KEYS = """() => {
  window.keys = [];
  new PerformanceObserver((list) => {
    for (const one of list.getEntries()) window.keys.push([one.name, one.duration]);
  }).observe({ type: 'event', durationThreshold: 16 });
}"""
READ_KEYS = """() => new Promise((done) => requestAnimationFrame(() => setTimeout(() => done(
  window.keys.filter((one) => /^(key|input|beforeinput)/.test(one[0])).map((one) => one[1])), 120)))"""


@dataclass(slots=True)
class Seen:
    """One page, loaded cold at one width. bytes: as sent, compressed, headers included."""

    name: str
    role: str
    width: int
    bytes: int = 0
    requests: int = 0
    paint_ms: float | None = None
    shift: float = 0.0


@dataclass(slots=True)
class Typed:
    """Keys pressed one after the other in a field: the slowest from press to paint, and until what was asked
    for was there (None: nothing is asked for).
    """

    where: str
    keys: int
    slowest_ms: float
    answer_ms: float | None = None


@dataclass(slots=True)
class Meter:
    """Counts what a window loads, from here on."""

    page: "Page"
    seen: Seen
    _open: set[str] = field(default_factory=set)

    def start(self) -> None:
        """To be called before the page is loaded."""
        self.page.add_init_script(WATCH_SHIFTS)
        wire = self.page.context.new_cdp_session(self.page)
        wire.on("Network.requestWillBeSent", lambda event: self._asked(event))
        wire.on("Network.loadingFinished", lambda event: self._loaded(event))
        wire.send("Network.enable")

    def read(self) -> Seen:
        """Once the page is at rest."""
        found = self.page.evaluate(READ)
        self.seen.paint_ms, self.seen.shift = found["paint"], found["shift"]
        return self.seen

    def _asked(self, event: dict[str, Any]) -> None:
        self.seen.requests += not event["request"]["url"].startswith("data:")

    def _loaded(self, event: dict[str, Any]) -> None:
        self.seen.bytes += int(event["encodedDataLength"])


def typed(page: "Page", where: str, keys: str, *, answer: str = "") -> Typed:
    """Press keys in the field that has the focus; `answer`: what each one asks for, as a selector."""
    page.evaluate(WATCH_KEYS)
    for key in keys:
        page.keyboard.press(key)
        page.wait_for_timeout(60)
    durations = page.evaluate(READ_KEYS)
    waited = _answered(page, answer) if answer else None
    return Typed(where, len(keys), max(durations, default=UNSEEN_MS), waited)


def _answered(page: "Page", answer: str) -> float:
    """Milliseconds from one more key to the answer on the screen."""
    watch = """(answer) => new Promise((done) => {
      const list = document.querySelector(answer);
      addEventListener('keydown', () => {
        const began = performance.now();
        new MutationObserver(() => requestAnimationFrame(() => done(performance.now() - began)))
          .observe(list, { childList: true });
      }, { once: true, capture: true });
      window.ready = true;
    })"""
    page.wait_for_timeout(500)  # what was typed before has been answered
    page.evaluate(f"(answer) => {{ window.took = ({watch})(answer); }}", answer)
    page.keyboard.press("Backspace")
    return float(page.evaluate("() => window.took"))
