"""Drafts of policy as the rules would read them, and their pages."""

from resupply.models import DraftAct, PolicyDraft, PolicyKind
from resupply.queries.facts import CLINIC_LEDGERS
from resupply.queries.ledgers import Change, Entry

LEDGERS = {
    PolicyKind.LIFE: "life",
    PolicyKind.ALLOWANCE: "allowance",
    PolicyKind.REFILL: "refill",
    PolicyKind.TERMS: "terms",
    PolicyKind.CLEANING: "cleaning",
}
"""Kinds whose versions move plans, and their ledger."""
_LAST = 2**62
"""An id behind all others: of versions of one day the last recorded counts, and a draft will be that."""


def change_of(draft: PolicyDraft) -> Change:
    """What a draft does to its ledger, read by the very columns that its version will be read by.

    KeyError for a kind that moves no plan.
    """
    name = LEDGERS[PolicyKind(draft.kind)]
    if draft.act == DraftAct.VOID:
        return Change(name, without=draft.version_id)
    fixed = {"patient_id": None, "payer_id": draft.payer_id, "effective_from": draft.effective_from}
    values = {**draft.values, **fixed}
    read = {field: values[column] for field, column in CLINIC_LEDGERS[name].columns}
    blank = {"owner": None, "until": None, "word": "", "name": "", "unit": "", "periods": 0, "number": 0}
    return Change(name, Entry(name, _LAST, **{"on": None, "other": 0, **blank, **read}))
