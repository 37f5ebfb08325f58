"""From rows to the frozen facts that rules need: one query a table, whatever the number of patients.

`known_at` asks for what was on record at a moment: recorded by then and not voided by then.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from datetime import datetime

from django.db.models import F, Q

from resupply.models import (
    AllowanceVersion,
    CleaningChoice,
    ClinicTermsVersion,
    Coverage,
    DispenseLine,
    Event,
    EventType,
    LifeVersion,
    Payer,
    RefillRuleVersion,
    RefillSource,
)
from resupply.rules import facts, tables
from resupply.rules.cleaning import CleaningVersion, Frequency
from resupply.rules.kinds import Kind
from resupply.rules.periods import Period, Unit


def policy(*, known_at: datetime | None = None) -> facts.Policy:
    """What holds for every patient: the shipped tables, the clinic's versions, the payers'. Five queries."""
    rules = _refill_rules(known_at)
    return facts.Policy(
        kinds=tables.shipped_kinds(),
        default_lives=tables.shipped_lives(),
        clinic_lives=_by_code(LifeVersion.objects.known_at(known_at).filter(patient=None).order_by("id")),
        payers=_payer_terms(rules, known_at),
        clinic_refill_rules=rules.get(None, ()),
        clinic_terms=tuple(
            facts.ClinicTerms(
                row.effective_from,
                row.gap_days,
                Period(row.target_count, Unit(row.target_unit)),
                f"the clinic's terms from {row.effective_from}",
            )
            for row in ClinicTermsVersion.objects.known_at(known_at).order_by("id")
        ),
    )


def cleaning_versions(*, known_at: datetime | None = None) -> tuple[CleaningVersion, ...]:
    """The clinic's choices about cleaning tasks, in the order of recording."""
    return tuple(
        CleaningVersion(
            row.effective_from,
            row.task,
            Frequency(row.frequency) if row.frequency else None,
            f"the clinic's choice from {row.effective_from}",
        )
        for row in CleaningChoice.objects.known_at(known_at).order_by("id")
    )


def patient_facts(
    patient_ids: Collection[int], *, known_at: datetime | None = None
) -> dict[int, facts.PatientFacts]:
    """Everything recorded about these patients that their plans depend on, by patient id. Four queries."""
    deliveries = _deliveries(patient_ids, known_at)
    events = _events(patient_ids, known_at)
    coverage: dict[int, list[facts.CoverageSpan]] = defaultdict(list)
    for span in Coverage.objects.known_at(known_at).filter(patient__in=patient_ids).order_by("id"):
        coverage[span.patient_id].append(facts.CoverageSpan(span.starts_on, payer_key(span.payer_id)))
    own_rows: dict[int, list[LifeVersion]] = defaultdict(list)
    for row in LifeVersion.objects.known_at(known_at).filter(patient__in=patient_ids).order_by("id"):
        own_rows[row.patient_id or 0].append(row)
    return {
        patient: _facts_of(patient, deliveries, events, own_rows.get(patient, ()), coverage.get(patient, ()))
        for patient in patient_ids
    }


def wear_facts(patient_id: int) -> tuple[facts.PatientFacts, facts.Policy]:
    """What the wear of one patient's units depends on, without payers, for drawings. Three queries."""
    lives: dict[int | None, list[LifeVersion]] = defaultdict(list)
    for row in LifeVersion.objects.standing().filter(Q(patient=None) | Q(patient=patient_id)).order_by("id"):
        lives[row.patient_id].append(row)
    known = _facts_of(
        patient_id, _deliveries([patient_id], None), _events([patient_id], None), lives[patient_id], ()
    )
    policy = facts.Policy(
        kinds=tables.shipped_kinds(),
        default_lives=tables.shipped_lives(),
        clinic_lives=_by_code(lives[None]),
    )
    return known, policy


def payer_key(payer_id: int | None) -> str:
    """How the rules name a payer; empty for a patient who pays."""
    return "" if payer_id is None else str(payer_id)


def _facts_of(
    patient: int,
    deliveries: Mapping[int, Iterable[facts.Delivery]],
    events: Mapping[tuple[int, str], Iterable[Event]],
    lives: Iterable[LifeVersion],
    coverage: Iterable[facts.CoverageSpan],
) -> facts.PatientFacts:
    """One patient's facts out of the rows of many."""
    return facts.PatientFacts(
        deliveries=tuple(deliveries.get(patient, ())),
        swaps=tuple(
            facts.Swap(e.on, Kind(e.kind), _ref(e)) for e in events.get((patient, EventType.SWAP), ())
        ),
        losses=tuple(
            facts.Loss(e.on, Kind(e.kind), _ref(e)) for e in events.get((patient, EventType.LOSS), ())
        ),
        refits=tuple(
            facts.Refit(e.on, e.family, _ref(e)) for e in events.get((patient, EventType.REFIT), ())
        ),
        pauses=tuple(facts.Pause(e.on, e.until, _ref(e)) for e in events.get((patient, EventType.PAUSE), ())),
        own_lives=_by_code(lives),
        coverage=tuple(coverage),
    )


def _deliveries(patient_ids: Collection[int], known_at: datetime | None) -> dict[int, list[facts.Delivery]]:
    found: dict[int, list[facts.Delivery]] = defaultdict(list)
    rows = (
        DispenseLine.objects.known_at(known_at)
        .filter(dispense__patient__in=patient_ids)
        .annotate(patient_id=F("dispense__patient_id"), on=F("dispense__dispensed_on"))
        .order_by("on", "id")
    )
    for row in rows.values_list(
        "patient_id", "on", "kind", "part_code", "quantity", "family", "first_use_on", "contains",
        "billed_to_id", "id",
    ):  # fmt: skip
        patient, on, kind, code, quantity, family, first_use_on, contains, payer, line = row
        found[patient].append(
            facts.Delivery(
                on, Kind(kind), code, quantity, family, first_use_on, tuple(contains), payer_key(payer),
                f"dispense line {line}",
            )
        )  # fmt: skip
    return found


def _events(patient_ids: Collection[int], known_at: datetime | None) -> dict[tuple[int, str], list[Event]]:
    found: dict[tuple[int, str], list[Event]] = defaultdict(list)
    for event in Event.objects.known_at(known_at).filter(patient__in=patient_ids).order_by("on", "id"):
        found[event.patient_id, event.event].append(event)
    return found


def _ref(event: Event) -> str:
    return f"{event.event} {event.pk}"


def _by_code(rows: Iterable[LifeVersion]) -> dict[str, tuple[facts.LifeVersion, ...]]:
    found: dict[str, list[facts.LifeVersion]] = defaultdict(list)
    for row in rows:
        life = Period(row.period_count, Unit(row.period_unit)) if row.period_count else None
        whose = "the clinic's policy" if row.patient_id is None else "this patient's own life"
        found[row.part_code].append(
            facts.LifeVersion(row.effective_from, life, f"{whose} from {row.effective_from}")
        )
    return {code: tuple(versions) for code, versions in found.items()}


def _payer_terms(
    own_rules: Mapping[int | None, tuple[facts.RefillRule, ...]], known_at: datetime | None
) -> dict[str, facts.PayerTerms]:
    allowances: dict[int, dict[str, list[facts.Allowance]]] = defaultdict(lambda: defaultdict(list))
    for row in AllowanceVersion.objects.known_at(known_at).order_by("id"):
        allowances[row.payer_id][row.part_code].append(
            facts.Allowance(
                row.effective_from,
                row.units,
                Period(row.period_count, Unit(row.period_unit)),
                row.at_once_periods,
                f"allowance from {row.effective_from}",
            )
        )
    terms: dict[str, facts.PayerTerms] = {}
    for payer in Payer.objects.all():
        rules: tuple[facts.RefillRule, ...] = ()
        if payer.refill_source == RefillSource.SHIPPED:
            rules = tables.shipped_refill_rules()
        elif payer.refill_source == RefillSource.OWN:
            rules = own_rules.get(payer.pk, ())
        by_code = {code: tuple(versions) for code, versions in allowances[payer.pk].items()}
        terms[payer_key(payer.pk)] = facts.PayerTerms(by_code, rules)
    return terms


def _refill_rules(known_at: datetime | None) -> dict[int | None, tuple[facts.RefillRule, ...]]:
    found: dict[int | None, list[facts.RefillRule]] = defaultdict(list)
    for row in RefillRuleVersion.objects.known_at(known_at).order_by("id"):
        whose = "the clinic's own leads" if row.payer_id is None else "the payer's own refill rule"
        found[row.payer_id].append(
            facts.RefillRule(
                row.effective_from,
                row.contact_lead_days,
                row.delivery_lead_days,
                f"{whose} from {row.effective_from}",
            )
        )
    return {payer: tuple(rules) for payer, rules in found.items()}
