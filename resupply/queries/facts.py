"""From rows to the frozen facts that rules need: a fixed number of queries, whatever the number of patients.

`known_at` asks for what was on record at a moment: recorded by then and not voided by then.
`marks` asks change history instead, which knows also what was voided for a while or edited (`as_known`).
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

from django.db import connection

from resupply.models import (
    AllowanceVersion,
    CleaningChoice,
    ClinicTermsVersion,
    Coverage,
    Event,
    EventType,
    LifeVersion,
    Payer,
    RefillRuleVersion,
    RefillSource,
)
from resupply.queries import ledgers
from resupply.queries.as_known import Marks, versions_sql
from resupply.queries.ledgers import Change, Entry, Ledger, Whose
from resupply.rules import facts, tables
from resupply.rules.cleaning import CleaningVersion, Frequency
from resupply.rules.kinds import Kind
from resupply.rules.periods import Period, Unit

Entries = Mapping[str, Iterable[Entry]]
_LIFE = (
    ("owner", "patient_id"),
    ("on", "effective_from"),
    ("word", "part_code"),
    ("periods", "period_count"),
    ("unit", "period_unit"),
)
_ALLOWANCE = (*_LIFE[1:], ("owner", "payer_id"), ("number", "units"), ("other", "at_once_periods"))
_REFILL = (
    ("owner", "payer_id"),
    ("on", "effective_from"),
    ("number", "contact_lead_days"),
    ("other", "delivery_lead_days"),
)
_TERMS = (
    ("on", "effective_from"),
    ("periods", "target_count"),
    ("unit", "target_unit"),
    ("number", "gap_days"),
)
_CLEANING = (("on", "effective_from"), ("word", "task"), ("name", "frequency"))
_COVERAGE = (("owner", "patient_id"), ("on", "starts_on"), ("number", "payer_id"))
_EVENT = (("owner", "patient_id"), ("on", '"on"'), ("until", "until"), ("word", "kind"), ("name", "family"))

_CLINIC_RULES = (
    Ledger("life", LifeVersion, _LIFE, Whose.CLINIC),
    Ledger("allowance", AllowanceVersion, _ALLOWANCE),
    Ledger("refill", RefillRuleVersion, _REFILL),
    Ledger("terms", ClinicTermsVersion, _TERMS),
    Ledger("cleaning", CleaningChoice, _CLEANING),
    Ledger("payer", Payer, (("name", "refill_source"),)),
)
CLINIC_LEDGERS = {ledger.name: ledger for ledger in _CLINIC_RULES}
"""Ledgers of the clinic's and the payers' versions, by name."""
_EVENTS = Ledger("", Event, _EVENT, Whose.PATIENTS, named_by="event")
_OF_PATIENTS = (
    _EVENTS,
    Ledger("coverage", Coverage, _COVERAGE, Whose.PATIENTS),
    Ledger("life", LifeVersion, _LIFE, Whose.PATIENTS),
)


@dataclass(frozen=True, slots=True)
class ClinicRules:
    """What holds for every patient: the shipped tables, the clinic's versions, the payers'."""

    policy: facts.Policy
    cleaning: tuple[CleaningVersion, ...]


def clinic_rules(
    *, known_at: datetime | None = None, marks: Marks | None = None, change: Change | None = None
) -> ClinicRules:
    """The policy and the clinic's choices about cleaning tasks, versions as recorded. One query.

    `change`: as they would be with one version more, or without one (`queries.drafts`).
    """
    found = ledgers.read(*_CLINIC_RULES, known_at=known_at, marks=marks)
    if change is not None:
        _make(change, found)
    return ClinicRules(_policy(found), tuple(_cleaning(row) for row in found.get("cleaning", ())))


def _make(change: Change, found: dict[str, list[Entry]]) -> None:
    """Change what was read. A payer with a refill rule of its own is planned by it from then on."""
    rows = [row for row in found.get(change.ledger, ()) if row.id != change.without]
    entry = change.entry
    found[change.ledger] = [*rows, entry] if entry is not None else rows
    if change.ledger == "refill" and entry is not None and entry.owner is not None:
        found["payer"] = [
            row._replace(name=RefillSource.OWN.value) if row.id == entry.owner else row
            for row in found.get("payer", ())
        ]


def policy(*, known_at: datetime | None = None, marks: Marks | None = None) -> facts.Policy:
    """What plans of parts rest on besides the patient's own facts. One query."""
    return clinic_rules(known_at=known_at, marks=marks).policy


def cleaning_versions(*, known_at: datetime | None = None) -> tuple[CleaningVersion, ...]:
    """The clinic's choices about cleaning tasks, in the order of recording. One query."""
    return clinic_rules(known_at=known_at).cleaning


def patient_facts(
    patient_ids: Collection[int], *, known_at: datetime | None = None, marks: Marks | None = None
) -> dict[int, facts.PatientFacts]:
    """Everything recorded about these patients that their plans depend on, by patient id. Two queries."""
    found = ledgers.read(*_OF_PATIENTS, patients=patient_ids, known_at=known_at, marks=marks)
    deliveries = _deliveries(patient_ids, known_at, marks)
    of_patient: dict[int, dict[str, list[Entry]]] = defaultdict(lambda: defaultdict(list))
    for ledger, rows in found.items():
        for row in rows:
            of_patient[row.owner or 0][ledger].append(row)
    return {
        patient: _facts_of(deliveries.get(patient, ()), of_patient.get(patient, {}))
        for patient in patient_ids
    }


def wear_facts(patient_id: int) -> tuple[facts.PatientFacts, facts.Policy]:
    """What the wear of one patient's units depends on, without payers, for drawings. Two queries."""
    lives = Ledger("life", LifeVersion, _LIFE, Whose.BOTH)
    found = ledgers.read(_EVENTS, lives, patients=[patient_id])
    own = [row for row in found.get("life", ()) if row.owner is not None]
    known = _facts_of(_deliveries([patient_id], None).get(patient_id, ()), {**found, "life": own})
    clinic = [row for row in found.get("life", ()) if row.owner is None]
    return known, _policy({"life": clinic})


def line_ref(dispense_line_id: int) -> str:
    """How facts, and the units that came with it, name a dispense line."""
    return f"dispense line {dispense_line_id}"


def payer_key(payer_id: int | None) -> str:
    """How the rules name a payer; empty for a patient who pays."""
    return "" if payer_id is None else str(payer_id)


def _facts_of(deliveries: Iterable[facts.Delivery], found: Entries) -> facts.PatientFacts:
    """One patient's facts out of the rows of ledgers; events in the order of their days."""

    def happened(what: EventType) -> list[Entry]:
        return sorted(found.get(what.value, ()), key=lambda row: (row.on, row.id))

    return facts.PatientFacts(
        deliveries=tuple(deliveries),
        swaps=tuple(facts.Swap(e.on, Kind(e.word), _ref(e)) for e in happened(EventType.SWAP)),
        losses=tuple(facts.Loss(e.on, Kind(e.word), _ref(e)) for e in happened(EventType.LOSS)),
        refits=tuple(facts.Refit(e.on, e.name, _ref(e)) for e in happened(EventType.REFIT)),
        pauses=tuple(facts.Pause(e.on, e.until, _ref(e)) for e in happened(EventType.PAUSE)),
        own_lives=_lives(found.get("life", ())),
        coverage=tuple(
            facts.CoverageSpan(span.on, payer_key(span.number)) for span in found.get("coverage", ())
        ),
    )


_DELIVERIES = """
    SELECT given.patient_id, given.dispensed_on, line.kind, line.part_code, line.quantity, line.family,
        line.first_use_on, line.contains, line.billed_to_id, line.id
    FROM {lines} line JOIN resupply_dispense given ON given.id = line.dispense_id
    WHERE given.patient_id = ANY(%(patients)s) AND {known}
    ORDER BY given.dispensed_on, line.id
"""


_KINDS = {kind.value: kind for kind in Kind}
_LINES = "resupply_dispenseline"
_LINES_THEN = versions_sql(
    _LINES,
    "resupply_dispenselinechange",
    "dispense_id IN (SELECT id FROM resupply_dispense WHERE patient_id = ANY(%(patients)s))",
)


def _deliveries(
    patient_ids: Collection[int], known_at: datetime | None, marks: Marks | None = None
) -> dict[int, list[facts.Delivery]]:
    with connection.cursor() as cursor:
        cursor.execute(
            _DELIVERIES.format(
                lines=_LINES if marks is None else _LINES_THEN,
                known=ledgers.known("line", at_a_moment=known_at is not None),
            ),
            {"patients": list(patient_ids), "known_at": known_at, **(marks or {})},
        )
        rows = cursor.fetchall()  # a third faster than one by one, and a rebuild reads millions
    found: dict[int, list[facts.Delivery]] = defaultdict(list)
    for patient, on, kind, code, quantity, family, first_use_on, contains, payer, line in rows:
        found[patient].append(
            facts.Delivery(
                on, _KINDS[kind], code, quantity, family, first_use_on, tuple(contains), payer_key(payer),
                line_ref(line),
            )
        )  # fmt: skip
    return found


def _ref(event: Entry) -> str:
    return f"{event.ledger} {event.id}"


def _policy(found: Entries) -> facts.Policy:
    """The policy out of the clinic's and the payers' rows."""
    leads = _refill_rules(found.get("refill", ()))
    return facts.Policy(
        kinds=tables.shipped_kinds(),
        default_lives=tables.shipped_lives(),
        clinic_lives=_lives(found.get("life", ())),
        payers=_payer_terms(found, leads),
        clinic_refill_rules=leads.get(None, ()),
        clinic_terms=tuple(
            facts.ClinicTerms(
                row.on, row.number, Period(row.periods, Unit(row.unit)), f"the clinic's terms from {row.on}"
            )
            for row in found.get("terms", ())
        ),
    )


def _cleaning(row: Entry) -> CleaningVersion:
    frequency = Frequency(row.name) if row.name else None
    return CleaningVersion(row.on, row.word, frequency, f"the clinic's choice from {row.on}")


def _lives(rows: Iterable[Entry]) -> dict[str, tuple[facts.LifeVersion, ...]]:
    """Versions of lives by code; one without a period takes a patient's own life back."""
    found: dict[str, list[facts.LifeVersion]] = defaultdict(list)
    for row in rows:
        life = Period(row.periods, Unit(row.unit)) if row.periods else None
        whose = "the clinic's policy" if row.owner is None else "this patient's own life"
        found[row.word].append(facts.LifeVersion(row.on, life, f"{whose} from {row.on}"))
    return {code: tuple(versions) for code, versions in found.items()}


def _payer_terms(
    found: Entries, leads: Mapping[int | None, tuple[facts.RefillRule, ...]]
) -> dict[str, facts.PayerTerms]:
    allowances: dict[int | None, dict[str, list[facts.Allowance]]] = defaultdict(lambda: defaultdict(list))
    for row in found.get("allowance", ()):
        allowances[row.owner][row.word].append(
            facts.Allowance(
                row.on, row.number, Period(row.periods, Unit(row.unit)), row.other, f"allowance from {row.on}"
            )
        )
    terms: dict[str, facts.PayerTerms] = {}
    for payer in found.get("payer", ()):
        rules: tuple[facts.RefillRule, ...] = ()
        if payer.name == RefillSource.SHIPPED:
            rules = tables.shipped_refill_rules()
        elif payer.name == RefillSource.OWN:
            rules = leads.get(payer.id, ())
        by_code = {code: tuple(versions) for code, versions in allowances[payer.id].items()}
        terms[payer_key(payer.id)] = facts.PayerTerms(by_code, rules)
    return terms


def _refill_rules(rows: Iterable[Entry]) -> dict[int | None, tuple[facts.RefillRule, ...]]:
    found: dict[int | None, list[facts.RefillRule]] = defaultdict(list)
    for row in rows:
        whose = "the clinic's own leads" if row.owner is None else "the payer's own refill rule"
        found[row.owner].append(facts.RefillRule(row.on, row.number, row.other, f"{whose} from {row.on}"))
    return {payer: tuple(rules) for payer, rules in found.items()}
