"""The versions that were in force on a date of service, each with its source and who recorded it."""

from collections.abc import Iterator

from django.db.models import Model

from resupply.models import (
    AllowanceVersion,
    ClinicTermsVersion,
    LifeVersion,
    Payer,
    RefillRuleVersion,
    RefillSource,
    Voidable,
)
from resupply.queries.as_known import standing
from resupply.queries.packets.gather import Records
from resupply.queries.packets.said import Json, Names, fields
from resupply.rules.lines import DEFAULT_TERMS
from resupply.rules.refills import DEFAULT_RULE, followed, rule_for
from resupply.rules.tables import part_types, shipped_refill_rules
from resupply.rules.versions import in_force, in_force_or_first


def rules_in_force(found: Records, names: Names) -> list[Json]:
    """Lives and allowances of the codes given, the refill rule and the clinic's terms of the day."""
    codes = sorted({line.part_code for line in found.lines if not line.is_voided})
    payer = found.payers.get(found.coverage.payer_id or 0) if found.coverage else None
    return [
        *(rule for code in codes for rule in _life(code, found, names)),
        *(rule for code in codes for rule in _allowance(code, payer, found, names)),
        _refill_rule(payer, found, names),
        *_terms(found, names),
    ]


def version_records(found: Records) -> list[Voidable]:
    """The stored versions among them, for the trail."""
    return [record for record in _stored(found) if record is not None]


def _stored(found: Records) -> Iterator[Voidable | None]:
    codes = sorted({line.part_code for line in found.lines if not line.is_voided})
    payer = found.payers.get(found.coverage.payer_id or 0) if found.coverage else None
    for code in codes:
        yield _own_life(code, found)
        yield _clinic_life(code, found)
        yield _stored_allowance(code, payer, found)
    yield _stored_refill_rule(payer, found)
    yield _stored_terms(found)


def _own_life(code: str, found: Records) -> LifeVersion | None:
    rows = LifeVersion.objects.filter(part_code=code, patient=found.dispense.patient_id)
    return in_force(standing(rows, found.marks), found.day)


def _clinic_life(code: str, found: Records) -> LifeVersion | None:
    return in_force(
        standing(LifeVersion.objects.filter(part_code=code, patient=None), found.marks), found.day
    )


def _life(code: str, found: Records, names: Names) -> Iterator[Json]:
    """The life that counted: the patient's own, else the clinic's, else the shipped one."""
    own, clinic = _own_life(code, found), _clinic_life(code, found)
    chosen = own if own is not None and own.period_count else clinic
    if chosen is not None:
        whose = "patient" if chosen is own else "clinic"
        shown = fields(chosen, "part_code", "period_count", "period_unit", "effective_from", "reason")
        yield {"rule": "life", "whose": whose} | shown | _by(chosen, names)
        return
    part = part_types()[code]
    yield {
        "rule": "life", "whose": "shipped", "record": None, "part_code": code,
        "period_count": part.life.count, "period_unit": part.life.unit.value, "source": part.source,
    }  # fmt: skip


def _stored_allowance(code: str, payer: Payer | None, found: Records) -> AllowanceVersion | None:
    if payer is None:
        return None
    rows = AllowanceVersion.objects.filter(part_code=code, payer=payer.pk)
    return in_force(standing(rows, found.marks), found.day)


def _allowance(code: str, payer: Payer | None, found: Records, names: Names) -> Iterator[Json]:
    if payer is None:
        return
    chosen = _stored_allowance(code, payer, found)
    if chosen is None:
        yield {"rule": "allowance", "whose": payer.name, "record": None, "part_code": code, "units": None}
        return
    shown = fields(
        chosen, "part_code", "units", "period_count", "period_unit", "at_once_periods", "effective_from",
        "source",
    )  # fmt: skip
    yield {"rule": "allowance", "whose": payer.name} | shown | _by(chosen, names)


def _stored_refill_rule(payer: Payer | None, found: Records) -> RefillRuleVersion | None:
    """The stored version that the leads of the day come from; None: the published rule's, or nobody's."""
    if payer is not None and payer.refill_source == RefillSource.SHIPPED:
        return None
    rows = standing(RefillRuleVersion.objects.all(), found.marks)
    whose = payer.pk if payer is not None and payer.refill_source == RefillSource.OWN else 0
    own = [row for row in rows if row.payer_id == whose]
    clinic = [row for row in rows if row.payer_id is None]
    return in_force_or_first(followed(own, clinic), found.day)


def _refill_rule(payer: Payer | None, found: Records, names: Names) -> Json:
    """The leads of the day, by the rule that plans follow (`rules.lines.Terms`): the published one's, the
    payer's own, or the clinic's.
    """
    if payer is not None and payer.refill_source == RefillSource.SHIPPED:
        rule = rule_for(shipped_refill_rules(), found.day)
        return {
            "rule": "refill", "whose": "published", "record": None, "source": rule.ref,
            "contact_lead_days": rule.contact_lead, "delivery_lead_days": rule.delivery_lead,
        }  # fmt: skip
    chosen = _stored_refill_rule(payer, found)
    if chosen is None:
        return {
            "rule": "refill", "whose": "shipped", "record": None, "source": "the program's default",
            "contact_lead_days": DEFAULT_RULE.contact_lead, "delivery_lead_days": DEFAULT_RULE.delivery_lead,
        }  # fmt: skip
    whose = payer.name if payer is not None and chosen.payer_id == payer.pk else "clinic"
    shown = fields(chosen, "contact_lead_days", "delivery_lead_days", "effective_from", "source")
    return {"rule": "refill", "whose": whose} | shown | _by(chosen, names)


def _stored_terms(found: Records) -> ClinicTermsVersion | None:
    return in_force(standing(ClinicTermsVersion.objects.all(), found.marks), found.day)


def _terms(found: Records, names: Names) -> Iterator[Json]:
    chosen = _stored_terms(found)
    if chosen is None:
        target = DEFAULT_TERMS.target
        yield {
            "rule": "terms", "whose": "shipped", "record": None, "source": "the program's default",
            "gap_days": DEFAULT_TERMS.gap_days, "target_count": target.count,
            "target_unit": target.unit.value,
        }  # fmt: skip
        return
    shown = fields(chosen, "gap_days", "target_count", "target_unit", "effective_from", "reason")
    yield {"rule": "terms", "whose": "clinic"} | shown | _by(chosen, names)


def _by(record: Model, names: Names) -> Json:
    """When a version was recorded, and by whom."""
    shown = fields(record, "recorded_at")
    return {"recorded_at": shown["recorded_at"], "recorded_by": names(getattr(record, "recorded_by_id"))}  # noqa: B009
