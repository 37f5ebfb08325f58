"""Whom a draft of policy may concern: the patients whose plans have to be worked out anew."""

from django.db.models import Exists, OuterRef, Q, QuerySet

from resupply.models import (
    Coverage,
    DispenseLine,
    MatchRecord,
    Patient,
    PatientStatus,
    PolicyDraft,
    PolicyKind,
)


def concerned(draft: PolicyDraft) -> QuerySet[Patient]:
    """More than those whose plans will move, never fewer: who was ever given the code (by itself or packed
    with a mask), whom the payer covers, covered or will cover, or everybody. Of a draft that moves no plan:
    those on therapy, for whom its preview is worked out.
    """
    patients = Patient.objects.all()
    if draft.kind in (PolicyKind.FOLLOW_UPS, PolicyKind.MESSAGES):
        return patients.filter(status=PatientStatus.ON_THERAPY)
    if draft.kind == PolicyKind.MATCHING:
        judged = MatchRecord.objects.filter(patient=OuterRef("pk"), voided_at=None)
        return patients.filter(Exists(judged), status=PatientStatus.ON_THERAPY)
    if draft.kind == PolicyKind.LIFE:
        code = draft.values["part_code"]
        given = DispenseLine.objects.filter(dispense__patient=OuterRef("pk"))
        return patients.filter(Exists(given.filter(Q(part_code=code) | Q(contains__contains=[code]))))
    if draft.payer_id is not None:
        covered = Coverage.objects.filter(patient=OuterRef("pk"), payer=draft.payer_id, voided_at=None)
        return patients.filter(Exists(covered))
    return patients
