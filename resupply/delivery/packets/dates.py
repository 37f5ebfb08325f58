"""The dates of each kind on paper: before and after the dispense, the published rule, and every step."""

from collections.abc import Iterator, Mapping
from datetime import date

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, Spacer

from resupply.delivery.packets.blocks import section
from resupply.delivery.packets.strip import KEY, strip
from resupply.delivery.packets.words import STOPS, Doc, day, kind
from resupply.delivery.pdf import grid, text
from resupply.delivery.why_words import VALUE_LABELS, Wording
from resupply.rules.steps import Explanation, Step

_SHOWN = [name for name in VALUE_LABELS if name not in {"state", "days_overdue"}]
"""States are of a day that is over; the dates behind them are what an audit asks for."""
_LABELS = {"quantity_limit": "At most that day", "quantity_suggested": "Suggested that day"}


def dates(document: Doc) -> list[Flowable]:
    """A section for each kind that was given."""
    blocks: list[Flowable] = []
    day_of = date.fromisoformat(document["packet"]["date_of_service"])
    for name, both in sorted(document["dates"].items()):
        title = f"Dates: {kind(name).lower()}"
        drawn = [strip(both, day_of), Spacer(1, 1 * mm), text(KEY, "small"), Spacer(1, 1 * mm)]
        steps = _steps(document, both)
        blocks += section(title, [*drawn, *_both(both), *_published(document, name), *steps])
    return blocks


def _both(both: Doc) -> Iterator[Flowable]:
    before, after = (_wording(both[side], {}) for side in ("before", "after"))
    rows = [
        (
            _LABELS.get(name, VALUE_LABELS[name]),
            before.result(name) if before else "nothing on record",
            after.result(name) if after else "nothing on record",
        )
        for name in _SHOWN
    ]
    heads = ("On the date of service", "Before this dispense", "With this dispense")
    yield grid(heads, rows, (0.3, 0.35, 0.35))
    if before is None:
        yield text("The first of its kind: no supply was running, and no date had to be kept.", "small")


def _published(document: Doc, name: str) -> Iterator[Flowable]:
    """What the published refill rule says of the lines of a kind; said once where they agree."""
    said = []
    for line in document["dispense"]["lines"]:
        rule = line["published_rule"]
        if line["kind"] != name or rule is None:
            continue
        stops = [_stop(stop) for stop in rule["stops"]]
        verdict = "nothing stood against it" if not stops else "against it stood: " + ", ".join(stops)
        words = f"Published refill rule {rule['version']}: {verdict}. Source: {rule['source']}."
        if words not in said:
            said.append(words)
    for words in said:
        yield Spacer(1, 1 * mm)
        yield text(words, "small")


def _stop(stop: Doc) -> str:
    first = f" (from {day(stop['from'])})" if stop["from"] else ""
    advice = "" if stop["binding"] else " (advice only)"
    return f"{STOPS[stop['reason']]}{first}{advice}"


def _steps(document: Doc, both: Doc) -> Iterator[Flowable]:
    """How each date before the dispense was worked out; of a first one, those with it."""
    side = "before" if both["before"] is not None else "after"
    words = _wording(both[side], _sources(document))
    if words is None:
        return
    labels = {label: _LABELS.get(name, label) for name, label in VALUE_LABELS.items()}
    hidden = {VALUE_LABELS[name] for name in VALUE_LABELS if name not in _SHOWN}
    rows = [
        (labels[label] if place == 0 else "", _that_day(step.text), step.value, step.source)
        for label, _, steps in words.all()
        if label not in hidden
        for place, step in enumerate(steps)
    ]
    when = "before this dispense" if side == "before" else "with this dispense"
    yield Spacer(1, 2 * mm)
    yield text(f"How the dates {when} follow, step by step", "strong")
    yield grid(("Date", "Because", "Comes to", "Where it stands"), rows, (0.16, 0.4, 0.17, 0.27))


def _that_day(words: str) -> str:
    """What screens say of today is said of the date of service."""
    return words.replace("Today", "That day").replace("today", "that day")


def _wording(explained: Doc | None, sources: Mapping[str, str]) -> Wording | None:
    if explained is None:
        return None
    steps = tuple(
        Step(row["id"], row["op"], tuple(row["args"]), row["result"], row["why"], row["source"])
        for row in explained["steps"]
    )
    return Wording(Explanation(steps, explained["leads"]), sources, today=None)


def _sources(document: Doc) -> dict[str, str]:
    """The records behind facts as a reader of this paper knows them."""
    given = document["dispense"]
    words = {line["record"]: f"slip {given['number']}" for line in given["lines"]}
    words |= {line["record"]: f"slip {line['dispense']}" for line in document["earlier"]}
    names = {"swap": "change reported for", "loss": "loss of", "pause": "pause from", "refit": "refit of"}
    words |= {
        f"event {event['record'].split()[-1]}": f"{names[event['event']]} {day(event['on'])}"
        for event in document["events"]
    }
    return words
