"""What a strip says: the short line beside it, the sentence read aloud, and the patient's plainer line."""

from datetime import date, timedelta

from resupply.web.strip import StripLine
from resupply.web.wording import counted, day_words, state_word

_SOON = timedelta(days=14)
"""With spares at hand, the next change is worth saying only when it is near."""


def staff_words(line: StripLine, *, today: date) -> str:
    """The facts beside a strip, shortest first: `Dispense from today · supply ends Sat 28 Mar`."""
    parts = [*_state_parts(line, today), line.note]
    if line.waiting and line.covered_from:
        parts.insert(-1, f"coverage opens {day_words(line.covered_from, today=today)}")
    words = " · ".join(part for part in parts if part)
    return words[:1].upper() + words[1:]


def sentence(line: StripLine, *, today: date) -> str:
    """The strip read aloud: kind, part, state, what is in use, and the facts of `staff_words`."""
    if line.sentence:
        return line.sentence
    state = state_word(line.state, line.days_overdue)
    if line.waiting:
        state += ", waiting for coverage"
    parts = [
        f"{line.kind_label}, {line.part_label}: {state}" if line.part_label else f"{line.kind_label}: {state}"
    ]
    parts += [f"In use since {day_words(u.start, today=today)}" for u in line.units if u.look == "in_use"]
    parts.append(staff_words(line, today=today).replace(" · ", ", "))
    return ". ".join(part for part in parts if part) + "."


def patient_words(line: StripLine, *, today: date) -> str:
    """The same facts for the patient: what to change and when, what is left at home.

    `line.sentence` comes first: it holds them in the patient's language.
    """
    if line.sentence:
        return line.sentence
    spares = f"{counted(line.spares, 'spare')} at home" if line.spares else ""
    if line.state == "paused":
        return "Paused with your therapy"
    if line.state == "overdue" and line.supply_ends_on:
        return f"Past its date since {day_words(line.supply_ends_on, today=today)}"
    if line.state == "due":
        return "Reaches its date today"
    change = line.worn_on or line.supply_ends_on
    parts = [f"Change on {day_words(change, today=today)}" if change else "", spares]
    return " · ".join(part for part in parts if part)


def _state_parts(line: StripLine, today: date) -> list[str]:
    ends = line.supply_ends_on
    ends_words = f"supply ends {day_words(ends, today=today)}" if ends else ""
    from_words = _dispense_words(line.deliver_from, today)
    if line.state == "overdue" and ends:
        return [f"supply ended {day_words(ends, today=today)}"]
    if line.state == "due":
        return ["supply ends today"]
    if line.state == "deliver":
        return [from_words, ends_words]
    if line.state == "ask":
        return [ends_words, from_words]
    if line.state == "paused":
        return [_paused_words(line, today), ends_words]
    spares = counted(line.spares, "spare") if line.spares else ""
    if line.spares and line.worn_on and today <= line.worn_on <= today + _SOON:
        return [spares, f"change on {day_words(line.worn_on, today=today)}"]
    return [spares, ends_words]


def _dispense_words(deliver_from: date | None, today: date) -> str:
    if deliver_from is None:
        return ""
    if deliver_from < today:
        return "may be dispensed now"
    return (
        "dispense from today"
        if deliver_from == today
        else f"dispense from {day_words(deliver_from, today=today)}"
    )


def _paused_words(line: StripLine, today: date) -> str:
    for first, until in line.pauses:
        if first <= today and (until is None or today < until):
            since = f"since {day_words(first, today=today)}"
            return since if until is None else f"{since} until {day_words(until, today=today)}"
    return ""
