"""Import of a folder: what is written, that it is written once, and in which order."""

from datetime import date
from pathlib import Path

import pytest

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
    Location,
    Patient,
    Payer,
    PlanLine,
    RefillSource,
)
from resupply.rules.tables import part_types
from resupply.services.find_tokens import find_tokens
from tests import builders
from tests.builders import NOW, TODAY
from tests.services.importing import (
    ALLOWANCES,
    DISPENSES,
    EVENTS,
    LIVES,
    PATIENT,
    PATIENTS,
    bring,
    on_record,
    said,
)

PLAIN = "patient_ref,given_name,family_name,birth_date\nP1,Ana,Ek,1990-01-01\n"

pytestmark = pytest.mark.django_db


def test_one_folder_brings_everything(tmp_path: Path) -> None:
    report = bring(
        tmp_path,
        patients=PATIENT,
        lives=f"{LIVES}\nA7032,2,week,2025-01-01,,\nA7034,2,month,2025-06-01,P1,prescriber's order\n",
        allowances=f"{ALLOWANCES}\nPayer B,A7032,2,1,month,,2024-01-01\n"
        "Payer B,A7034,1,3,month,,2024-01-01\n",
        dispenses=f'{DISPENSES}\nP1,2026-01-05,A7034,1,2026-01-06,yes,Aspen,L1,2028-01-01,"A7032;A7035"\n'
        "P1,2026-01-05,a7032,2,,yes,Aspen,,,\nP1,2026-02-05,A7038,6,,no,,,,\n",
        events=f"{EVENTS}\nP1,pause,,2026-02-01,2026-02-10,\nP1,lost,mask,2026-03-01,,\nP1,refit,,2026-03-10,,Birch\n",
    )
    assert report.problems == []
    assert report.added == {"patients": 1, "lives": 2, "allowances": 2, "dispenses": 3, "events": 3}
    patient = Patient.objects.get()
    assert (patient.reference, patient.name, patient.birth_date) == ("P1", "Odalys Brandt", date(1961, 2, 4))
    assert (patient.location.name, patient.location.time_zone) == ("North room", "America/Denver")
    payer = Payer.objects.get()
    assert payer.refill_source == RefillSource.SHIPPED
    assert [a.at_once_periods for a in AllowanceVersion.objects.order_by("id")] == [3, 1]
    assert Coverage.objects.get().starts_on == patient.birth_date
    assert [dispense.lines.count() for dispense in Dispense.objects.order_by("id")] == [2, 1]
    first, second, third = DispenseLine.objects.order_by("id")
    assert first.contains == ["A7032", "A7035"]
    assert (first.family, first.lot, first.first_use_on) == ("Aspen", "L1", date(2026, 1, 6))
    assert (second.part_code, second.billed_to, third.billed, third.billed_to) == (
        "A7032",
        payer,
        False,
        None,
    )
    assert LifeVersion.objects.get(patient=patient).reason == "prescriber's order"
    assert [e.event for e in Event.objects.order_by("id")] == ["pause", "loss", "refit"]
    assert {token.token for token in FindToken.objects.all()} == find_tokens(patient)
    assert ImportBatch.objects.get().dispenses.count() == 2
    assert PlanLine.objects.filter(patient=patient).count() == 4  # mask, cushion, headgear, filter


def test_a_dry_run_says_the_same_and_writes_nothing(tmp_path: Path) -> None:
    files = {"patients": PATIENT, "dispenses": f"{DISPENSES}\nP1,2026-01-05,A7032,2,,yes,,,,\n"}
    before = on_record()
    dry = bring(tmp_path, commit=False, **files)
    assert on_record() == before
    wet = bring(tmp_path, **files)
    assert (dry.added, dry.consents, dry.committed) == (wet.added, wet.consents, False)
    assert wet.committed


def test_importing_twice_adds_nothing(tmp_path: Path) -> None:
    files = {
        "patients": PATIENT,
        "lives": f"{LIVES}\nA7032,2,week,2025-01-01,,\nA7034,2,month,2025-06-01,P1,order\n",
        "allowances": f"{ALLOWANCES}\nPayer B,A7032,2,1,month,3,2024-01-01\n",
        "dispenses": f"{DISPENSES}\nP1,2026-01-05,A7032,2,,yes,,,,\nP1,2026-01-05,A7032,2,,yes,,,,\n",
        "events": f"{EVENTS}\nP1,swap,cushion,2026-02-01,,\n",
    }
    bring(tmp_path, **files)
    before = on_record()
    report = bring(tmp_path, **files)
    assert on_record() == before
    assert set(report.added.values()) == {0}
    assert report.known == {"patients": 1, "lives": 2, "allowances": 1, "dispenses": 2, "events": 1}


def test_two_equal_rows_in_one_file_are_two_and_in_two_files_one(tmp_path: Path) -> None:
    row = "P1,2026-01-05,A7032,2,,no,,,,\n"
    bring(tmp_path / "a", patients=PATIENT, dispenses=f"{DISPENSES}\n{row}")
    bring(tmp_path / "b", dispenses=f"{DISPENSES}\n{row}{row}")
    assert DispenseLine.objects.count() == 2
    bring(tmp_path / "c", dispenses=f"{DISPENSES}\n{row}P1,2026-01-06,A7032,1,,no,,,,\n{row}")
    assert DispenseLine.objects.count() == 3


def test_the_same_row_written_in_other_ways_is_the_same_row(tmp_path: Path) -> None:
    bring(tmp_path / "a", patients=PATIENT, dispenses=f"{DISPENSES}\nP1,2026-01-05,A7034,1,,no,,,,A7032\n")
    bring(
        tmp_path / "b",
        dispenses="\ufeffcontains;quantity;part_code;dispensed_on;patient_ref\r\n"
        "A7032; 1 ;a7034;2026-01-05;P1\r\n",
    )
    assert DispenseLine.objects.count() == 1


def test_a_voided_row_does_not_come_back(tmp_path: Path) -> None:
    files = {"patients": PATIENT, "events": f"{EVENTS}\nP1,pause,,2026-02-01,,\n"}
    bring(tmp_path, **files)
    Event.objects.update(voided_at=NOW, void_reason="wrong patient")
    bring(tmp_path, **files)
    assert Event.objects.filter(voided_at=None).count() == 0


@pytest.mark.parametrize(
    "content",
    [
        f"\ufeff{PATIENT}".encode(),
        PATIENT.replace("\n", "\r\n").encode(),
        PATIENT.replace(",", ";").encode(),
        PATIENT.replace("P1,", '"P1",').replace(",", ";").encode(),
        ",".join(reversed(PATIENTS.split(","))).encode()
        + b"\n"
        + ",".join(reversed(PATIENT.splitlines()[1].split(","))).encode(),
    ],
    ids=["BOM", "CR LF", "semicolons", "quoted, semicolons", "columns in another order, no last line end"],
)
def test_files_as_programs_save_them(tmp_path: Path, content: bytes) -> None:
    report = bring(tmp_path, patients=content)
    assert report.problems == []
    patient = Patient.objects.get()
    assert (patient.reference, patient.phone, patient.therapy_started_on) == (
        "P1",
        "+1 303 555 0142",
        date(2024, 10, 1),
    )


def test_codes_packed_with_a_mask_in_a_file_with_semicolons(tmp_path: Path) -> None:
    header = DISPENSES.replace(",", ";")
    row = 'P1;2026-01-05;A7034;1;;no;;;;"A7032;A7035"'
    assert bring(tmp_path, patients=PATIENT, dispenses=f"{header}\n{row}\n").problems == []
    assert DispenseLine.objects.get().contains == ["A7032", "A7035"]


def test_a_guarded_cell_comes_back_as_it_was(tmp_path: Path) -> None:
    bring(tmp_path, patients=PATIENT.replace("+1 303", "'+1 303").replace("P1", "'=P1"))
    patient = Patient.objects.get()
    assert (patient.reference, patient.phone) == ("=P1", "+1 303 555 0142")


def test_what_is_not_said_gets_its_default(tmp_path: Path) -> None:
    report = bring(
        tmp_path, patients=f"{PATIENTS}\nP1,Ana,,1990-01-01,,,,,,,\nP2,Ben,,1990-01-01,,,es,Asia/Tokyo,,,\n"
    )
    assert report.problems == []
    ana, ben = Patient.objects.order_by("reference")
    assert (ana.language, ben.language) == ("en", "es")
    assert ana.location == ben.location == Location.objects.get(name="Main", time_zone="Asia/Tokyo")
    assert (ana.time_zone, ben.time_zone) == ("Asia/Tokyo", "Asia/Tokyo")
    assert not Coverage.objects.exists()
    assert not Consent.objects.exists()
    assert report.consents == 0


def test_optional_columns_may_be_absent(tmp_path: Path) -> None:
    report = bring(
        tmp_path,
        patients="patient_ref,given_name,family_name,birth_date\nP1,Ana,Ek,1990-01-01\n",
        dispenses="patient_ref,dispensed_on,part_code,quantity\nP1,2026-01-01,A7038,2\n",
        events="patient_ref,event,on\nP1,pause,2026-02-01\n",
    )
    assert report.problems == []
    assert report.added["dispenses"] == report.added["events"] == 1


def test_a_changed_patient_is_updated_and_a_changed_payer_pays_from_the_day_of_import(tmp_path: Path) -> None:
    bring(tmp_path, patients=PATIENT)
    changed = PATIENT.replace("Brandt", "Brandt-Ek").replace("Payer B", "Payer C").replace("North", "South")
    report = bring(tmp_path, patients=changed)
    assert (report.added["patients"], report.changed["patients"]) == (0, 1)
    patient = Patient.objects.get()
    assert (patient.family_name, patient.location.name) == ("Brandt-Ek", "South room")
    assert [(c.payer.name, c.starts_on) for c in Coverage.objects.order_by("id") if c.payer] == [
        ("Payer B", date(1961, 2, 4)),
        ("Payer C", TODAY),
    ]
    assert set(FindToken.objects.values_list("token", flat=True)) == find_tokens(patient)
    assert set(FindToken.objects.values_list("location", flat=True)) == {patient.location_id}
    before = on_record()
    bring(tmp_path, patients=changed)
    assert on_record() == before


def test_empty_cells_leave_what_is_on_record_but_an_empty_payer_means_the_patient_pays(
    tmp_path: Path,
) -> None:
    bring(tmp_path, patients=PATIENT)
    bring(tmp_path, patients=f"{PATIENTS}\nP1,Odalys,Brandt,1961-02-04,,,,,,,\n")
    patient = Patient.objects.get()
    assert (patient.email, patient.location.name) == ("odalys@patients.example", "North room")
    newest = Coverage.objects.order_by("id").last()
    assert newest is not None
    assert (newest.payer, newest.starts_on) == (None, TODAY)


def test_an_imported_address_is_a_yes_to_mail_once(tmp_path: Path) -> None:
    report = bring(tmp_path, patients=PATIENT)
    assert report.consents == 1
    consent = Consent.objects.get()
    assert (consent.channel, consent.granted, consent.given_on) == ("mail", True, TODAY)
    assert consent.how == "on file with the clinic's old list"
    bring(tmp_path, patients=PATIENT.replace("odalys@", "o@"))
    assert Consent.objects.count() == 1, "what is on record about mail, yes or no, is never overruled"


def test_a_no_to_mail_is_never_overruled(tmp_path: Path) -> None:
    patient = builders.make_patient(reference="P1", email="")
    builders.make_consent(patient, granted=False)
    bring(tmp_path, patients=PATIENT)
    assert Consent.objects.get().granted is False


def test_billed_rows_go_to_the_payer_imported_else_to_the_one_on_record_that_day(tmp_path: Path) -> None:
    old, new = builders.make_payer(name="Old"), builders.make_payer(name="New")
    patient = builders.make_patient(reference="P1", payer=old)
    builders.make_coverage(patient, new, starts_on=date(2026, 1, 1))
    rows = "P1,2025-12-31,A7038,2,,yes,,,,\nP1,2026-01-01,A7038,2,,yes,,,,\n"
    bring(tmp_path / "a", dispenses=f"{DISPENSES}\n{rows}")
    assert [line.billed_to for line in DispenseLine.objects.order_by("id")] == [old, new]
    bring(tmp_path / "b", patients=PATIENT, dispenses=f"{DISPENSES}\nP1,2025-12-30,A7038,2,,yes,,,,\n")
    newest = DispenseLine.objects.order_by("id").last()
    assert newest is not None
    assert newest.billed_to == Payer.objects.get(name="Payer B")


def test_billed_for_a_patient_who_pays_is_kept_as_nobodys_bill_with_a_warning(tmp_path: Path) -> None:
    builders.make_patient(reference="P1")
    report = bring(tmp_path, dispenses=f"{DISPENSES}\nP1,2026-01-01,A7038,2,,yes,,,,\n")
    assert [said(problem) for problem in report.warnings] == [("dispenses.csv", 2, "billed", "yes")]
    line = DispenseLine.objects.get()
    assert (line.billed, line.billed_to) == (False, None)


def test_lines_keep_the_order_of_rows_within_a_day_and_a_later_import_makes_another_dispense(
    tmp_path: Path,
) -> None:
    rows = ["P1,2026-01-05,A7033,1,,no,,,,", "P1,2026-01-04,A7032,3,,no,,,,", "P1,2026-01-05,A7032,2,,no,,,,"]
    bring(tmp_path / "a", patients=PATIENT, dispenses="\n".join([DISPENSES, *rows]))
    assert list(DispenseLine.objects.order_by("id").values_list("part_code", "quantity")) == [
        ("A7033", 1),
        ("A7032", 3),
        ("A7032", 2),
    ]
    assert Dispense.objects.count() == 2
    bring(tmp_path / "b", dispenses="\n".join([DISPENSES, *rows, "P1,2026-01-05,A7038,2,,no,,,,"]))
    assert Dispense.objects.filter(dispensed_on=date(2026, 1, 5)).count() == 2


def test_a_pause_whose_end_is_brought_later_takes_the_place_of_the_open_one(tmp_path: Path) -> None:
    open_row, closed_row = "P1,pause,,2026-02-01,,\n", "P1,pause,,2026-02-01,2026-03-01,\n"
    bring(tmp_path / "a", patients=PATIENT, events=f"{EVENTS}\n{open_row}")
    report = bring(tmp_path / "b", events=f"{EVENTS}\n{closed_row}")
    assert report.problems == []
    assert Event.objects.get(voided_at=None).until == date(2026, 3, 1)
    bring(tmp_path / "a", events=f"{EVENTS}\n{open_row}")
    assert Event.objects.get(voided_at=None).until == date(2026, 3, 1)


def test_a_clinic_life_refreshes_patients_already_on_record(tmp_path: Path) -> None:
    dispenses = f"{DISPENSES}\nP1,2026-03-01,A7032,1,,no,,,,\n"
    bring(tmp_path / "a", patients=PATIENT, dispenses=dispenses)
    assert PlanLine.objects.get().worn_on == date(2026, 4, 1)
    bring(tmp_path / "b", lives=f"{LIVES}\nA7032,2,week,2026-01-01,,\n")
    assert PlanLine.objects.get().worn_on == date(2026, 3, 15)


def test_new_allowances_refresh_the_patients_of_that_payer(tmp_path: Path) -> None:
    bring(tmp_path / "a", patients=PATIENT, dispenses=f"{DISPENSES}\nP1,2026-03-01,A7032,2,,yes,,,,\n")
    assert PlanLine.objects.get().covered_from is None
    bring(tmp_path / "b", allowances=f"{ALLOWANCES}\nPayer B,A7032,2,1,month,,2020-01-01\n")
    assert PlanLine.objects.get().covered_from == date(2026, 4, 1)


def test_no_query_is_per_row(tmp_path: Path) -> None:
    """So 10,000 rows take seconds: the count of queries stands for the time, which depends on the machine."""
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    codes = [code for code in part_types() if code != "A7044"]

    def folder(patients: int) -> dict[str, str]:
        people = [f"P{n},Ana,Ek{n},1960-01-01,,,en,America/Denver,North,Payer B," for n in range(patients)]
        rows = [f"P{n},2026-01-0{d},{codes[d]},2,,yes,,,," for n in range(patients) for d in range(1, 6)]
        return {"patients": "\n".join([PATIENTS, *people]), "dispenses": "\n".join([DISPENSES, *rows])}

    counts = []
    for size in (20, 150):
        with CaptureQueriesContext(
            connection,
        ) as queries:
            bring(tmp_path / str(size), commit=False, **folder(size))
        counts.append(len(queries))
    assert counts[0] == counts[1]


def test_rows_that_name_no_location_make_none_for_patients_on_record(tmp_path: Path) -> None:
    for name in ("North", "South"):
        builders.make_location(name=name)
    patient = builders.make_patient(reference="P1", location=Location.objects.get(name="North"))
    bring(tmp_path, patients=PLAIN)
    patient.refresh_from_db()
    assert (patient.given_name, patient.location.name, Location.objects.count()) == ("Ana", "North", 2)


def test_allowances_on_record_leave_the_rule_that_was_chosen_since(tmp_path: Path) -> None:
    file = f"{ALLOWANCES}\nPayer B,A7032,2,1,month,,2024-01-01\n"
    bring(tmp_path / "a", allowances=file)
    Payer.objects.update(refill_source=RefillSource.CLINIC)
    report = bring(tmp_path / "b", allowances=file, patients=PLAIN)
    assert (report.added["allowances"], report.added["patients"]) == (0, 1)
    assert Payer.objects.get().refill_source == RefillSource.CLINIC
