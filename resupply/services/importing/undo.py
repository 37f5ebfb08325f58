"""A whole import taken back, with a reason.

What it wrote is voided and stays readable; patients it brought become withdrawn: in no list, no search and no
reminder, and never deleted. Patients it changed get their former values back where nobody has changed them
since, and records it replaced stand again. Its rows lose their import keys, so that the same files can be
imported again; withdrawn patients come back with them. Locations and payers it made stay.

An undo is refused where the clinic has built on the import: where a patient it brought has any other standing
record, another state, or a calendar address, or where a record it brought was exchanged or proved. To undo it
then would leave that record without its patient; those have to be voided first, or the few wrong rows
corrected one by one. Everything happens in one transaction, the plans last.
"""

from collections.abc import Iterable, Mapping
from datetime import date, datetime
from typing import Any, cast

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction
from django.db.models import Model, Q

from resupply.models import (
    AllowanceVersion,
    Consent,
    Coverage,
    Dispense,
    DispenseLine,
    Event,
    FindToken,
    ImportBatch,
    LifeVersion,
    Patient,
    PatientStatus,
    Payer,
    Proof,
    Subscription,
    Voidable,
)
from resupply.services import plans
from resupply.services.chunks import chunks
from resupply.services.errors import Refused
from resupply.services.importing.before import Before, as_json
from resupply.services.importing.facts import ENDED, patients_of_policy
from resupply.services.importing.importer import take_turn
from resupply.services.importing.people import BATCH, REPLACED, write_tokens
from resupply.services.records import check_reason

_WITH_KEYS: tuple[type[Voidable], ...] = (DispenseLine, Event, LifeVersion, AllowanceVersion)
_WRITTEN: tuple[type[Voidable], ...] = (Event, LifeVersion, AllowanceVersion, Coverage, Consent, Dispense)


def undo_import(
    batch: ImportBatch, *, reason: str, by: AbstractBaseUser | None, now: datetime
) -> ImportBatch:
    """Take a whole import back.

    Raises Refused: `reason_missing`, `reason_long`, `already_undone`, `built_on` (with what to do).
    """
    reason = check_reason(reason)
    with transaction.atomic():
        take_turn()
        plans.lock_policy()
        batch.refresh_from_db()
        if batch.undone_at is not None:
            raise Refused("already_undone", "This import has been undone already.")
        touched = _touched(batch)
        plans.lock_patients(sorted(touched))
        _check_nothing_built_on(batch)
        void = {
            "voided_at": now,
            "voided_by_id": by.pk if by is not None else None,
            "void_reason": f"import undone: {reason}"[:300],
        }
        _void_records(batch, void)
        _give_back(batch.before)
        FindToken.objects.filter(patient__batch=batch).delete()
        Patient.objects.filter(batch=batch).update(status=PatientStatus.WITHDRAWN)
        batch.undone_at, batch.undo_reason = now, reason
        batch.undone_by_id = by.pk if by is not None else None
        batch.save(update_fields=["undone_at", "undone_by", "undo_reason"])
        for some in chunks(sorted(touched), size=plans.BATCH):
            plans.refresh_plans(some, now=now)
    return batch


def count_built_on(batch: ImportBatch) -> int:
    """How many patients keep the clinic from undoing this import; 0: it can be undone."""
    return len(_built_on(batch))


def _check_nothing_built_on(batch: ImportBatch) -> None:
    if not (count := len(_built_on(batch))):
        return
    whose = "1 patient has" if count == 1 else f"{count} patients have"
    raise Refused(
        "built_on",
        f"{whose} records that were made after this import and build on it: something dispensed, reported, "
        "answered or paid for, another state, a calendar address, or a later import. Undo the later import "
        "or void those records first; or leave this import and correct single rows on the patients' pages.",
    )


def _built_on(batch: ImportBatch) -> set[int]:
    """Patients with standing records that would be left without what they rest on."""
    found: set[int] = set()
    brought = Patient.objects.filter(batch=batch)
    for model in _records_of_patients():
        rows = cast(Any, model)._default_manager.filter(patient__batch=batch, voided_at=None)
        if any(field.name == "batch" for field in model._meta.concrete_fields):
            rows = rows.exclude(batch=batch)
        found.update(rows.values_list("patient_id", flat=True))
    found.update(brought.exclude(status=PatientStatus.ON_THERAPY).values_list("pk", flat=True))
    calendars = Subscription.objects.filter(patient__batch=batch, revoked_at=None)
    found.update(calendars.values_list("patient_id", flat=True))
    exchanged = DispenseLine.objects.filter(exchange_of__dispense__batch=batch, voided_at=None)
    found.update(exchanged.values_list("dispense__patient_id", flat=True))
    proved = Proof.objects.filter(dispense__batch=batch, voided_at=None)
    found.update(proved.values_list("dispense__patient_id", flat=True))
    return found


def _records_of_patients() -> list[type[Voidable]]:
    """Every ledger with a row per patient, those of later versions of the program too."""
    return [
        relation.related_model
        for relation in Patient._meta.related_objects
        if isinstance(relation.related_model, type)
        and issubclass(relation.related_model, Voidable)
        and relation.field.name == "patient"
    ]


def _touched(batch: ImportBatch) -> set[int]:
    """Patients whose plan may change: the batch's own, those with records of it, and those its policy
    reached.
    """
    found = set(Patient.objects.filter(batch=batch).values_list("pk", flat=True))
    for model in (Dispense, Event, Coverage, Consent, LifeVersion):
        rows = cast(Any, model).objects.filter(batch=batch).exclude(patient=None)
        found.update(rows.values_list("patient_id", flat=True))
    entries = cast("list[Before]", batch.before)
    found.update(entry["id"] for entry in entries if entry["model"] == "patient")
    for name, model in (("event", Event), ("coverage", Coverage)):
        ids = [entry["id"] for entry in entries if entry["model"] == name]
        for some in chunks(ids):
            found.update(cast(Any, model).objects.filter(pk__in=some).values_list("patient_id", flat=True))
    codes = set(LifeVersion.objects.filter(batch=batch, patient=None).values_list("part_code", flat=True))
    payers = set(AllowanceVersion.objects.filter(batch=batch).values_list("payer_id", flat=True))
    payers.update(entry["id"] for entry in entries if entry["model"] == "payer")
    return found | patients_of_policy(codes, payers)


def _void_records(batch: ImportBatch, void: Mapping[str, object]) -> None:
    """Void what stands of the batch, and free every key of it."""
    lines = DispenseLine.objects.filter(dispense__batch=batch)
    lines.filter(voided_at=None).update(**void)
    for model in _WRITTEN:
        cast(Any, model).objects.filter(batch=batch, voided_at=None).update(**void)
    for model in _WITH_KEYS:
        of_batch = Q(dispense__batch=batch) if model is DispenseLine else Q(batch=batch)
        cast(Any, model).objects.filter(of_batch).exclude(import_key=None).update(import_key=None)


def _give_back(entries: Iterable[Before]) -> None:
    """Former values where nobody has changed them since; records that the batch replaced stand again."""
    by_model: dict[str, dict[int, Before]] = {}
    for entry in entries:
        by_model.setdefault(entry["model"], {})[entry["id"]] = entry
    stand = {"voided_at": None, "voided_by": None, "void_reason": ""}
    for name, model, reason in (("event", Event, ENDED), ("coverage", Coverage, REPLACED)):
        for some in chunks(by_model.get(name, {})):
            cast(Any, model).objects.filter(pk__in=some, void_reason=reason, batch__undone_at=None).update(
                **stand
            )
    _give_back_patients(by_model.get("patient", {}))
    with_others = AllowanceVersion.objects.filter(voided_at=None).values("payer_id")
    payers = Payer.objects.filter(pk__in=by_model.get("payer", {})).exclude(pk__in=with_others)
    for payer in payers:
        if _restore(payer, by_model["payer"][payer.pk]):
            payer.save(update_fields=["refill_source"])


def _give_back_patients(entries: Mapping[int, Before]) -> None:
    names = sorted({name for entry in entries.values() for name in entry["fields"]})
    for some in chunks(entries):
        patients = [
            patient
            for patient in Patient.objects.filter(pk__in=some)
            if _restore(patient, entries[patient.pk])
        ]
        if patients:
            Patient.objects.bulk_update(patients, names, batch_size=BATCH)
            write_tokens((), patients)


def _restore(row: Model, entry: Before) -> bool:
    """Put former values on a row where it still has the batch's; whether there was any."""
    is_changed = False
    for name, (old, new) in entry["fields"].items():
        field = row._meta.get_field(name)
        if as_json(getattr(row, field.attname)) == new:  # type: ignore[union-attr]
            value = date.fromisoformat(str(old)) if _is_day(field) and old is not None else old
            setattr(row, field.attname, value)  # type: ignore[union-attr]
            is_changed = True
    return is_changed


def _is_day(field: object) -> bool:
    return type(field).__name__ == "DateField"
