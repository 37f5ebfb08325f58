"""Random folders of files, as text, and the facts a reader of the files alone would take from them.

The reader shares nothing with the importer: it is the csv module and the words of the interface.
"""

import csv
import io
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta

from hypothesis import strategies as st

from resupply.rules.facts import (
    Allowance,
    CoverageSpan,
    Delivery,
    LifeVersion,
    Loss,
    PatientFacts,
    Pause,
    PayerTerms,
    Policy,
    Refit,
    Swap,
)
from resupply.rules.kinds import Kind
from resupply.rules.periods import Period, Unit
from resupply.rules.tables import shipped_kinds, shipped_lives, shipped_refill_rules
from tests.services.importing import ALLOWANCES, DISPENSES, EVENTS, LIVES, PATIENTS

FIRST = date(2025, 6, 1)
BORN = date(1961, 2, 4)
REFERENCES = ("P1", "P2")
CODES = ("A7034", "A7030", "A7032", "A7033", "A7035", "A7037", "A7038")
KINDS = ("mask", "cushion", "cushion", "headgear", "tubing", "filter_disposable")

days = st.integers(0, 300).map(lambda n: FIRST + timedelta(days=n))
references = st.sampled_from(REFERENCES)
counts = st.integers(1, 3)


@st.composite
def dispense_rows(draw: st.DrawFn) -> str:
    """A row of dispenses.csv."""
    on, code = draw(days), draw(st.sampled_from(CODES))
    first_use = draw(st.one_of(st.none(), st.integers(0, 40)))
    packed = draw(st.sampled_from(["", "A7032", "A7032;A7035", "A7033;A7032"])) if code in CODES[:2] else ""
    cells = [
        draw(references),
        str(on),
        code,
        str(draw(st.integers(1, 5))),
        "" if first_use is None else str(on + timedelta(days=first_use)),
        draw(st.sampled_from(["yes", "no"])),
        draw(st.sampled_from(["", "Aspen", "Birch"])),
        "",
        "",
        packed,
    ]
    return ",".join(cells)


@st.composite
def event_rows(draw: st.DrawFn) -> str:
    """A row of events.csv."""
    event, on = draw(st.sampled_from(["swap", "swap", "lost", "pause", "refit"])), draw(days)
    kind = draw(st.sampled_from(KINDS)) if event in ("swap", "lost") else ""
    length = draw(st.one_of(st.none(), st.integers(1, 60))) if event == "pause" else None
    until = "" if length is None else str(on + timedelta(days=length))
    family = draw(st.sampled_from(["Aspen", "Birch"])) if event == "refit" else ""
    return ",".join([draw(references), event, kind, str(on), until, family])


@st.composite
def life_rows(draw: st.DrawFn) -> str:
    """A row of lives.csv, of the clinic or of one patient, whose own may be taken back."""
    reference = draw(st.sampled_from(["", *REFERENCES]))
    unit = draw(st.sampled_from(["day", "week", "month"]))
    count = draw(st.integers(10, 40)) if unit == "day" else draw(counts)
    life = "," if reference and draw(st.booleans()) else f"{count},{unit}"
    return f"{draw(st.sampled_from(CODES))},{life},{draw(days)},{reference},on order"


@st.composite
def allowance_rows(draw: st.DrawFn) -> str:
    """A row of allowances.csv of one payer."""
    code, at_once = draw(st.sampled_from(CODES)), draw(st.sampled_from(["", "1", "2"]))
    return f"Payer B,{code},{draw(counts)},{draw(counts)},month,{at_once},{draw(days)}"


@st.composite
def folders(draw: st.DrawFn) -> dict[str, list[str]]:
    """The rows of every file: two patients, one insured and one who pays."""
    return {
        "patients": [f"P1,Ana,Ek,{BORN},,,,,,Payer B,", f"P2,Ben,Ek,{BORN},,,,,,,"],
        "lives": draw(st.lists(life_rows(), max_size=3)),
        "allowances": draw(st.lists(allowance_rows(), max_size=3)),
        "dispenses": draw(st.lists(dispense_rows(), min_size=1, max_size=12)),
        "events": draw(st.lists(event_rows(), max_size=6)),
    }


HEADERS = {
    "patients": PATIENTS,
    "lives": LIVES,
    "allowances": ALLOWANCES,
    "dispenses": DISPENSES,
    "events": EVENTS,
}


def texts(folder: Mapping[str, list[str]]) -> dict[str, str]:
    """The files as text."""
    return {name: "\n".join([HEADERS[name], *rows]) + "\n" for name, rows in folder.items()}


@dataclass(frozen=True)
class Reading:
    """What the files say, in the shape the rules and the simulation take."""

    policy: Policy
    facts: Mapping[str, PatientFacts]


def read(folder: Mapping[str, str]) -> Reading:
    """Read the files as the interface says they mean."""
    tables = {name: list(csv.DictReader(io.StringIO(text))) for name, text in folder.items()}
    clinic: dict[str, list[LifeVersion]] = defaultdict(list)
    own: dict[str, dict[str, list[LifeVersion]]] = defaultdict(lambda: defaultdict(list))
    for row in tables["lives"]:
        versions = own[row["patient_ref"]] if row["patient_ref"] else clinic
        life = Period(int(row["period_count"]), Unit(row["period_unit"])) if row["period_count"] else None
        versions[row["part_code"]].append(LifeVersion(date.fromisoformat(row["effective_from"]), life))
    allowances: dict[str, list[Allowance]] = defaultdict(list)
    for row in tables["allowances"]:
        period = Period(int(row["period_count"]), Unit(row["period_unit"]))
        at_once = int(row["at_once_periods"] or (3 if period == Period(1, Unit.MONTH) else 1))
        allowances[row["part_code"]].append(
            Allowance(date.fromisoformat(row["effective_from"]), int(row["units"]), period, at_once)
        )
    terms = PayerTerms(
        {code: tuple(versions) for code, versions in allowances.items()},
        shipped_refill_rules() if allowances else (),
    )
    policy = Policy(
        kinds=shipped_kinds(),
        default_lives=shipped_lives(),
        clinic_lives={code: tuple(versions) for code, versions in clinic.items()},
        payers={"Payer B": terms},
    )
    return Reading(policy, {row["patient_ref"]: _facts(row, tables, own) for row in tables["patients"]})


def _facts(
    patient: Mapping[str, str],
    tables: Mapping[str, list[dict[str, str]]],
    own: Mapping[str, Mapping[str, list[LifeVersion]]],
) -> PatientFacts:
    """One patient's facts, in row order."""
    reference, payer = patient["patient_ref"], patient["payer"]
    happened = [row for row in tables["events"] if row["patient_ref"] == reference]

    def day(text: str) -> date | None:
        return date.fromisoformat(text) if text else None

    def of(event: str) -> list[dict[str, str]]:
        return [row for row in happened if row["event"] == event]

    return PatientFacts(
        deliveries=tuple(
            Delivery(
                on=date.fromisoformat(row["dispensed_on"]),
                kind=shipped_kinds()[row["part_code"]],
                code=row["part_code"],
                quantity=int(row["quantity"]),
                family=row["family"],
                first_use_on=day(row["first_use_on"]),
                contains=tuple(code for code in row["contains"].split(";") if code),
                billed_to=payer if row["billed"] == "yes" else "",
            )
            for row in tables["dispenses"]
            if row["patient_ref"] == reference
        ),
        swaps=tuple(Swap(date.fromisoformat(row["on"]), Kind(row["kind"])) for row in of("swap")),
        losses=tuple(Loss(date.fromisoformat(row["on"]), Kind(row["kind"])) for row in of("lost")),
        refits=tuple(Refit(date.fromisoformat(row["on"]), row["family"]) for row in of("refit")),
        pauses=tuple(Pause(date.fromisoformat(row["on"]), day(row["until"])) for row in of("pause")),
        own_lives={code: tuple(versions) for code, versions in own.get(reference, {}).items()},
        coverage=(CoverageSpan(BORN, payer),) if payer else (),
    )
