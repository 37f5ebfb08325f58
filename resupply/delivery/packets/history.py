"""Rules in force, use in the first months, earlier dispenses and the change history, on paper."""

from collections.abc import Iterator
from datetime import date, timedelta

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, Spacer

from resupply.delivery.packets.blocks import facts
from resupply.delivery.packets.words import (
    EVENT,
    RULE,
    VERDICT,
    WHOSE,
    Doc,
    day,
    kind,
    moment,
    rule_words,
    stamped,
)
from resupply.delivery.pdf import grid, text


def rules(document: Doc) -> list[Flowable]:
    """Every version with whose it is, since when, and where it comes from."""
    rows = []
    for rule in document["rules"]:
        source = " ".join(filter(None, (rule.get("source"), rule.get("reason"))))
        if rule.get("recorded_at"):
            source = f"{source + '; ' if source else ''}recorded {stamped(rule)}"
        since = f", from {day(rule['effective_from'])}" if rule.get("effective_from") else ""
        rows.append(
            (RULE[rule["rule"]], rule_words(rule), WHOSE.get(rule["whose"], rule["whose"]) + since, source)
        )
    return [grid(("Rule", "Says", "Whose", "Source"), rows, (0.14, 0.28, 0.22, 0.36))]


def use(document: Doc) -> list[Flowable]:
    """The first months, where the payer of that time asks for a re-evaluation."""
    found = document["first_months"]
    if found is None:
        return [text("No payer on record at the start of therapy asks for a re-evaluation.")]
    rule, visit = found["use_rule"], found["reevaluation"]
    best = found["met"] or found["best"]
    best_words = ""
    if best:
        span = f"{day(best['first'])} to {day(best['last'])}"
        best_words = f": {best['nights']} nights of {rule['of_nights']}, {span}"
    enough = sum(minutes >= rule["minutes"] for _, minutes in found["nights"])
    rows = [
        ("Payer then", found["payer"]),
        ("First night", day(found["started_on"])),
        (
            "Enough use is",
            f"{rule['minutes'] // 60} hours or more on {rule['nights']} of {rule['of_nights']} nights in a "
            f"row by {day(found['last_night'])}. Source: {rule['source']}",
        ),
        ("As known then", VERDICT[found["verdict"]] + best_words),
        ("Nights on record", f"{len(found['nights'])}, of which {enough} with enough use"),
        (
            "Re-evaluation",
            f"between {day(visit['first'])} and {day(visit['last'])} ({visit['policy']}). "
            f"Source: {visit['source']}",
        ),
        ("Seen on", f"{day(visit['seen_on'])}, recorded {stamped(visit)}" if visit["seen_on"] else ""),
    ]
    return [facts(rows), *_nights(found)]


def _nights(found: Doc) -> Iterator[Flowable]:
    """Every night with its minutes, a week a row, counted from the first night."""
    minutes = {date.fromisoformat(on): used for on, used in found["nights"]}
    first, last = date.fromisoformat(found["started_on"]), date.fromisoformat(found["last_night"])
    weeks = [first + timedelta(days=days) for days in range(0, (last - first).days + 1, 7)]
    rows = [
        (day(week.isoformat()), *(_used(minutes, week + timedelta(days=n), last) for n in range(7)))
        for week in weeks
    ]
    yield Spacer(1, 1 * mm)
    yield text("Minutes of use by the date on which a night began; a dash: nothing on record.", "small")
    heads = ("Seven nights from", *(f"Night {n}" for n in range(1, 8)))
    yield grid(heads, rows, (0.23, *[0.11] * 7))


def _used(minutes: dict[date, int], night: date, last: date) -> str:
    return "" if night > last else str(minutes.get(night, "–"))


def earlier(document: Doc) -> list[Flowable]:
    """What was given before, and swaps, losses, pauses and refits by that day."""
    blocks: list[Flowable] = []
    lines = [
        (
            day(line["dispensed_on"]),
            line["dispense"],
            f"{line['quantity']} × {line['part_code']}",
            kind(line["kind"]),
            "billed" if line["billed"] else "not billed",
            stamped(line),
        )
        for line in document["earlier"]
    ]
    if lines:
        heads = ("Given", "Slip", "What", "Kind", "Billed", "Recorded")
        blocks.append(grid(heads, lines, (0.18, 0.11, 0.14, 0.17, 0.12, 0.28)))
    events = [
        (
            day(event["on"]) + (f" until {day(event['until'])}" if event["until"] else ""),
            EVENT[event["event"]],
            kind(event["kind"]) if event["kind"] else event["family"],
            "the patient" if event["by_patient"] else "",
            stamped(event),
        )
        for event in document["events"]
    ]
    if events:
        blocks += [Spacer(1, 2 * mm)] if blocks else []
        blocks.append(
            grid(("Day", "What", "Of", "Told by", "Recorded"), events, (0.3, 0.17, 0.17, 0.1, 0.26))
        )
    return blocks or [text("None on record.")]


def history(document: Doc) -> list[Flowable]:
    """Every entry of the history of the records behind this packet."""
    rows = [
        (
            entry["record"],
            moment(entry["at"]),
            entry["by"] or "",
            f"recorded (entry {entry['entry']})" if entry["what"] == "recorded" else _changed(entry),
        )
        for entry in document["history"]
    ]
    note = (
        "An entry is written by the database at each change and not altered after; who: the person signed in."
    )
    return [text(note, "small"), grid(("Record", "When", "Who", "What"), rows, (0.2, 0.28, 0.16, 0.36))]


def _changed(entry: Doc) -> str:
    """The columns that an entry changed, from what to what."""
    said = [
        f"{_column(name)}: {_value(was)} → {_value(now)}"
        for name, (was, now) in sorted(entry["changed"].items())
    ]
    return f"changed (entry {entry['entry']}): " + ("; ".join(said) or "nothing that is shown here")


def _column(name: str) -> str:
    return name.removesuffix("_id").replace("_", " ")


def _value(value: object) -> str:
    return "none" if value in (None, "") else str(value)
