"""Imports in words: columns, tables, stages and states, as the pages say them."""

from collections.abc import Mapping

from resupply.models import Upload, UploadState
from resupply.web.wording import counted

NOUNS = {
    "patients": "patient",
    "lives": "life,lives",
    "allowances": "allowance",
    "dispenses": "dispensed part",
    "events": "event",
}

ABOUT = {
    "patients": "One row for each patient. Send this first, or together with the others.",
    "lives": "How long parts of a code last: the clinic's own rule, or one patient's with its reason.",
    "allowances": "What a payer allows: so many units of a code in a period (its usual maximum).",
    "dispenses": "Parts already given, one row for each code and day. Dates are worked out from these.",
    "events": "What happened since: parts swapped or lost, therapy paused, another mask fitted.",
}

COLUMNS: Mapping[str, Mapping[str, tuple[str, str]]] = {
    "patients": {
        "patient_ref": ("The clinic's own number for the patient; each once", "1047"),
        "given_name": ("Given name; one of the two names is enough", "Alma"),
        "family_name": ("Family name", "Quist"),
        "birth_date": ("Date of birth", "1961-02-04"),
        "email": ("E-mail address", "alma@patients.example"),
        "phone": ("Phone number, as it is dialed", "+1 303 555 0142"),
        "language": ("en or es; empty: en", "en"),
        "time_zone": ("Where the patient lives; empty: as the location", "America/Denver"),
        "location": (
            "Where the clinic sees the patient; made if it is new; empty: the only one there is, or Main",
            "North room",
        ),
        "payer": ("Who pays; made if it is new; empty: the patient pays", "Payer B"),
        "therapy_started_on": ("First day on therapy", "2024-10-01"),
    },
    "lives": {
        "part_code": ("Billing code of the part", "A7032"),
        "period_count": ("How many periods it lasts; of one patient, empty: as the policy says", "1"),
        "period_unit": ("day, week or month", "month"),
        "effective_from": ("First day on which this holds", "2025-01-01"),
        "patient_ref": ("The patient it holds for; empty: everybody", "1047"),
        "reason": ("Why, where it holds for one patient", "prescriber's order"),
    },
    "allowances": {
        "payer": ("Name of the payer, as in patients", "Payer B"),
        "part_code": ("Billing code of the part", "A7032"),
        "units": ("How many units it allows in the period", "2"),
        "period_count": ("How many units of time the period has", "1"),
        "period_unit": ("day, week or month", "month"),
        "effective_from": ("First day on which this holds", "2024-01-01"),
        "at_once_periods": ("Periods' worth allowed at once; empty: 3 of one month, else 1", "3"),
    },
    "dispenses": {
        "patient_ref": ("The patient's number, in patients or on record", "1047"),
        "dispensed_on": ("The day the parts were given", "2026-01-05"),
        "part_code": ("Billing code of the part", "A7034"),
        "quantity": ("How many", "1"),
        "first_use_on": ("The day of first use, if it was another", "2026-01-06"),
        "billed": ("yes or no; empty: no", "yes"),
        "family": ("Name of the mask family", "Aspen"),
        "lot": ("Lot number, if known", "L-2291"),
        "expires_on": ("Expiry date on the pack, if known", "2028-01-01"),
        "contains": ("Of a mask: codes packed with each, with ; between them", "A7032;A7035"),
    },
    "events": {
        "patient_ref": ("The patient's number, in patients or on record", "1047"),
        "event": ("swap, lost, pause or refit", "pause"),
        "on": ("The day it happened", "2026-02-01"),
        "kind": ("Of a swap or loss: the kind of part, such as cushion", ""),
        "until": ("Of a pause: the first day after it; empty: still paused", "2026-02-10"),
        "family": ("Of a refit: the new mask family", ""),
    },
}
"""Table -> column -> what to write, and an example."""

_STAGES = {
    "read": "Reading the files",
    "check": "Checking the rows",
    "write": "Importing the rows",
    "plans": "Working out the patients' dates",
}

_STATES = {
    UploadState.WAITING: "waiting to be checked",
    UploadState.CHECKING: "being checked",
    UploadState.ACCEPTED: "waiting to be imported",
    UploadState.WRITING: "being imported",
    UploadState.COMMITTED: "written",
    UploadState.FAILED: "stopped by a fault",
    UploadState.DROPPED: "given up",
}

AT_WORK = frozenset({UploadState.WAITING, UploadState.CHECKING, UploadState.ACCEPTED, UploadState.WRITING})
"""States in which a worker has something to do."""


def amounts(numbers: Mapping[str, int]) -> str:
    """What an import brought: `3 patients, 12 dispensed parts, 1 patient changed`."""
    parts = [counted(numbers[table], noun) for table, noun in NOUNS.items() if numbers.get(table)]
    if numbers.get("changed"):
        parts.append(f"{counted(numbers['changed'], 'patient')} changed")
    return ", ".join(parts) or "nothing new"


def state_words(upload: Upload) -> str:
    """Where an upload stands."""
    if upload.state != UploadState.CHECKED:
        return _STATES[UploadState(upload.state)]
    errors = upload.report.get("errors", 0)
    return f"{counted(errors, 'fault')} to correct" if errors else "checked, not imported yet"


def stage_words(upload: Upload) -> str:
    """What a worker is doing."""
    if upload.state in (UploadState.WAITING, UploadState.ACCEPTED):
        return "Waiting for its turn"
    return _STAGES.get(str(upload.progress.get("stage", "")), "Starting")
