"""What the codes of a packet's document mean, in words, and how its values are said on paper."""

from collections.abc import Mapping
from datetime import date, datetime
from typing import Any

from resupply.delivery.words import KIND_WORDS, STOP_WORDS, date_words, day_words

Doc = Mapping[str, Any]
"""A packet's document, or a part of it: what `queries.packets.document` gives, or what was read from JSON."""

MISSING = {
    "void": "The dispense is void: nothing counts as given.",
    "order": "No prescriber’s order on record for that day.",
    "order_part": "The order on record does not name {part}.",
    "device": "No device on record by that day.",
    "fitting": "No fitting that ended is on record by that day.",
    "answer": "No yes of the patient to {part} is on record before it was shipped.",
    "answer_in_person": "No refill request is linked to {part}: it was handed over in person, where the "
    "signed slip stands for it.",
    "lot": "No lot on record for {part}.",
    "proof": "No proof of delivery on record.",
    "address": "No delivery address on record for the parcel.",
    "tracking": "No carrier’s tracking id on record for the parcel.",
    "nights": "No nights of use on record for the first months.",
    "reevaluation": "No re-evaluation visit on record.",
}
"""What an audit asks for and the records do not have."""

CHANNEL = {
    "in_person": "in person",
    "phone": "by telephone",
    "mail": "by e-mail",
    "text": "by text message",
    "page": "on the patient’s own page",
    "post": "by post",
}
WISH = {"yes": "Yes", "not_now": "Not now", "stop": "Stop asking"}
CONDITION = {
    "unknown": "not said",
    "fine": "still fine",
    "worn": "worn",
    "leaks": "leaks",
    "broken": "broken or lost",
}
STATE = {"open": "open", "answered": "answered", "expired": "expired", "withdrawn": "withdrawn"}
OUTCOME = {
    "kept": "a mask was kept",
    "another": "another visit was needed",
    "referred": "referred to the prescriber",
    "declined": "the patient wanted none of them",
}
LYING = {"back": "on the back", "side": "on the side", "front": "on the front", "sitting": "sitting up"}
NOTICE = {
    "not_owed": "No notice was owed",
    "given": "Written notice given",
    "declined": "Written notice offered, not signed",
}
PROOF = {"signed": "Slip signed", "carrier": "Carrier’s record", "facility": "Facility’s record"}
PARCEL = {"undelivered": "came back undelivered", "lost": "lost on the way"}
HUMIDIFIER = {"none": "none", "heated": "heated", "passive": "not heated"}
VERDICT = {
    "met": "met",
    "not_met": "not met",
    "open": "not decided by the nights on record",
}
EVENT = {
    "swap": "Part changed",
    "loss": "Lost or broken",
    "pause": "Therapy paused",
    "refit": "Refitted",
}
STOPS = {
    "not_asked": "the patient was not asked",
    "not_affirmative": "no yes on record",
    "recorded_late": "the yes was recorded late",
    "delivered_too_early": "dispensed too early",
} | STOP_WORDS
RULE = {
    "life": "Life",
    "allowance": "Usual maximum",
    "refill": "Refill rule",
    "terms": "Clinic’s terms",
}
WHOSE = {
    "patient": "this patient’s own",
    "clinic": "the clinic’s",
    "shipped": "shipped with the program",
    "published": "published rule",
}


def day(iso: str | None) -> str:
    """`Wed 18 Mar 2026`; "none on record" where there is none."""
    return day_words(date.fromisoformat(iso), today=None) if iso else "none on record"


def born(iso: str) -> str:
    """`4 Feb 1961`."""
    return date_words(date.fromisoformat(iso))


def moment(iso: str | None) -> str:
    """`Wed 18 Mar 2026, 15:00 UTC`."""
    if not iso:
        return "none on record"
    at = datetime.fromisoformat(iso)
    return f"{day_words(at.date(), today=None)}, {at:%H:%M} UTC"


def stamped(part: Doc) -> str:
    """When and by whom something was recorded."""
    by = f" by {part['recorded_by']}" if part.get("recorded_by") else ""
    return f"{moment(part.get('recorded_at'))}{by}"


def part_words(part: Doc) -> str:
    """A part of a line: its description and code."""
    return f"{part['description']} ({part['part_code']})"


def kind(name: str) -> str:
    """The name of a kind of part."""
    return KIND_WORDS.get(name, name)


def period(count: int, unit: str) -> str:
    """`1 month`, `3 months`."""
    return f"{count} {unit}{'' if count == 1 else 's'}"


def rule_words(rule: Doc) -> str:
    """What a version says."""
    match rule["rule"]:
        case "life":
            return f"{rule['part_code']}: {period(rule['period_count'], rule['period_unit'])}"
        case "allowance" if rule.get("units") is None:
            return f"{rule['part_code']}: no published limit"
        case "allowance":
            count, unit = rule["period_count"], rule["period_unit"]
            per = unit if count == 1 else period(count, unit)
            at_once = (
                "" if rule["at_once_periods"] == 1 else f", {rule['at_once_periods']} periods’ worth at once"
            )
            return f"{rule['part_code']}: {rule['units']} per {per}{at_once}"
        case "refill":
            ask, give = rule["contact_lead_days"], rule["delivery_lead_days"]
            return f"ask from {ask} days before the refill date, dispense from {give} days before it"
        case _:
            aim = period(rule["target_count"], rule["target_unit"])
            return f"{rule['gap_days']} days without a question after a part arrives; supply for {aim}"


def missing_lines(document: Doc) -> list[str]:
    """What is missing, a sentence each, in the order of the packet."""
    names = {line["part_code"]: part_words(line) for line in document["dispense"]["lines"]}
    return [MISSING[code].format(part=names.get(part, part)) for code, part in document["missing"]]
