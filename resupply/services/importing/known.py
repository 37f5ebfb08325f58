"""What is on record about the patients a folder names, read in a few queries."""

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Collection
from datetime import date

from django.db.models import Min

from resupply.models import Coverage, Dispense, Event, Patient, PatientStatus
from resupply.services.chunks import chunks

_LONGEST_PADDED = 10
"""Digits of the longest reference that is looked for with zeros in front."""


def known_patients(references: Collection[str]) -> dict[str, Patient]:
    """Patients on record by reference, each with its location; not those whose import was undone."""
    return {
        patient.reference: patient
        for some in chunks(references)
        for patient in Patient.objects.filter(reference__in=some)
        .exclude(status=PatientStatus.WITHDRAWN)
        .select_related("location")
    }


def withdrawn_patients(references: Collection[str]) -> dict[str, Patient]:
    """Patients by reference whose import was undone: new to every check, written over when they return."""
    return {
        patient.reference: patient
        for some in chunks(references)
        for patient in Patient.objects.filter(reference__in=some, status=PatientStatus.WITHDRAWN)
    }


def zeros_lost(references: Collection[str]) -> dict[str, str]:
    """References of digits that no patient has, with the one on record that has zeros in front besides.

    A spreadsheet takes the reference 00047 for the number 47, whether it saves a workbook or CSV.
    """
    digits = [reference for reference in references if reference.isascii() and reference.isdecimal()]
    padded = {
        reference.zfill(length): reference
        for reference in digits
        for length in range(len(reference) + 1, _LONGEST_PADDED + 1)
    }
    found: dict[str, str] = {}
    for some in chunks(padded):
        on_record = Patient.objects.filter(reference__in=some).exclude(status=PatientStatus.WITHDRAWN)
        for known in on_record.values_list("reference", flat=True):
            found[padded[known]] = known
    return found


def first_facts(patient_ids: Collection[int]) -> dict[int, date]:
    """The earliest standing dispense or event of each patient that has one."""
    found: dict[int, date] = {}
    for some in chunks(patient_ids):
        for model, column in ((Dispense, "dispensed_on"), (Event, "on")):
            rows = model.objects.filter(patient_id__in=some, voided_at=None).values("patient_id")
            for row in rows.annotate(first=Min(column)).order_by():
                earlier = found.get(row["patient_id"], date.max)
                found[row["patient_id"]] = min(earlier, row["first"])
    return found


class Payers:
    """Who pays for a patient on a day, by the coverage on record (None: the patient)."""

    def __init__(self, patient_ids: Collection[int]) -> None:
        self._starts: dict[int, list[date]] = defaultdict(list)
        self._payers: dict[int, list[int | None]] = defaultdict(list)
        for some in chunks(patient_ids):
            rows = Coverage.objects.filter(patient_id__in=some, voided_at=None).order_by("starts_on", "id")
            for patient_id, starts_on, payer_id in rows.values_list("patient_id", "starts_on", "payer_id"):
                self._starts[patient_id].append(starts_on)
                self._payers[patient_id].append(payer_id)

    def on(self, patient_id: int, day: date) -> int | None:
        """Id of the payer of a patient on a day; of several records from one day, the last counts."""
        place = bisect_right(self._starts[patient_id], day) if patient_id in self._starts else 0
        return self._payers[patient_id][place - 1] if place else None
