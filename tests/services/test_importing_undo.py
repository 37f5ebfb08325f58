"""An import taken back as a whole: what it leaves, what it gives back, when it is refused; and done again."""

import tempfile
from collections.abc import Callable
from datetime import date, timedelta
from io import StringIO
from pathlib import Path

import pytest
from django.core.management import call_command
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

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
    PatientStatus,
    Payer,
    PlanLine,
    RefillSource,
)
from resupply.queries.finding import recent_patients
from resupply.services import corrections, events, feeds, people
from resupply.services.dispensing import NewLine
from resupply.services.errors import Refused
from resupply.services.find_tokens import find_tokens
from resupply.services.importing.undo import count_built_on, undo_import
from tests import builders
from tests.builders import NOW, TODAY
from tests.journeys.steps import give
from tests.management.folders import folders, texts
from tests.services.importing import ALLOWANCES, DISPENSES, EVENTS, LIVES, PATIENT, PATIENTS, bring

pytestmark = pytest.mark.django_db
LATER = NOW + timedelta(hours=1)
WHOLE = {
    "patients": PATIENT,
    "lives": f"{LIVES}\nA7032,2,week,2025-01-01,,\nA7034,2,month,2025-06-01,P1,order\n",
    "allowances": f"{ALLOWANCES}\nPayer B,A7032,2,1,month,3,2024-01-01\n",
    "dispenses": f"{DISPENSES}\nP1,2026-01-05,A7032,2,,yes,,,,\nP1,2026-01-05,A7034,1,,yes,,,,\n",
    "events": f"{EVENTS}\nP1,pause,,2026-02-01,2026-02-10,\n",
}


def undo(batch: ImportBatch | None = None, reason: str = "the wrong list") -> ImportBatch:
    return undo_import(batch or ImportBatch.objects.latest("pk"), reason=reason, by=None, now=LATER)


def plan(day: date = TODAY) -> str:
    out = StringIO()
    call_command("export_plan", "--as-of", str(day), stdout=out)
    return out.getvalue()


def test_everything_it_wrote_is_voided_and_stays(tmp_path: Path) -> None:
    bring(tmp_path, **WHOLE)
    batch = undo()
    assert (batch.undone_at, batch.undo_reason) == (LATER, "the wrong list")
    for model in (Dispense, DispenseLine, Event, LifeVersion, AllowanceVersion, Coverage, Consent):
        rows = model._default_manager.all()
        assert rows, model
        assert {(row.voided_at, row.void_reason) for row in rows} == {
            (LATER, "import undone: the wrong list")
        }
    for model in (DispenseLine, Event, LifeVersion, AllowanceVersion):
        assert set(model._default_manager.values_list("import_key", flat=True)) == {None}
    patient = Patient.objects.get()
    assert (patient.status, patient.name) == (PatientStatus.WITHDRAWN, "Odalys Brandt")
    assert not FindToken.objects.exists()
    assert not PlanLine.objects.exists()
    assert plan() == plan(date(2026, 2, 1)) == plan()
    assert plan().count("\n") == 1
    assert (Location.objects.count(), Payer.objects.count()) == (1, 1)


def test_files_of_an_undone_import_come_in_again_as_the_first_time(tmp_path: Path) -> None:
    bring(tmp_path, **WHOLE)
    first, patient = plan(), Patient.objects.get()
    people.update_patient(patient, builders_details(patient, family_name="Typed"), now=NOW)
    undo()
    report = bring(tmp_path, **WHOLE)
    assert report.added == {"patients": 1, "lives": 2, "allowances": 1, "dispenses": 2, "events": 1}
    assert report.consents == 1
    assert plan() == first
    revived = Patient.objects.get()
    assert (revived.pk, revived.public_id) == (patient.pk, patient.public_id)
    assert (revived.family_name, revived.status) == ("Brandt", PatientStatus.ON_THERAPY)
    assert revived.batch == ImportBatch.objects.latest("pk")
    assert {token.token for token in FindToken.objects.all()} == find_tokens(revived)
    assert {token.location for token in FindToken.objects.all()} == {revived.location}
    assert set(bring(tmp_path, **WHOLE).added.values()) == {0}
    undo()
    assert Patient.objects.get().status == PatientStatus.WITHDRAWN


def builders_details(patient: Patient, **over: object) -> people.PatientDetails:
    values = {name: getattr(patient, name) for name in people.PatientDetails.__slots__}
    return people.PatientDetails(**values | over)  # type: ignore[arg-type]


@given(folder=folders(), day=st.integers(-100, 400))
@settings(
    max_examples=15,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
def test_undone_and_imported_again_the_plan_is_the_same_to_the_byte(
    folder: dict[str, list[str]], day: int
) -> None:
    """Beside a patient who was there before, and whose plan comes back as it was, too."""
    as_of = TODAY + timedelta(days=day)
    with transaction.atomic(), tempfile.TemporaryDirectory() as place:
        other = builders.make_patient(reference="P9", payer=builders.make_payer(name="Payer B"))
        give(other, date(2026, 1, 2), NewLine(part_code="A7032", quantity=2))
        before = plan(as_of)
        assert bring(Path(place), **texts(folder)).committed
        first = plan(as_of)
        undo()
        assert plan(as_of) == before
        assert bring(Path(place), **texts(folder)).committed
        assert plan(as_of) == first
        transaction.set_rollback(True)


# --- what was there before ---


def test_patients_it_changed_get_back_what_nobody_changed_since(tmp_path: Path) -> None:
    old = builders.make_payer(name="Old")
    patient = builders.make_patient(reference="P1", payer=old, family_name="Brand", phone="1", email="")
    home = patient.location
    bring(tmp_path, patients=PATIENT)
    patient.refresh_from_db()
    people.update_patient(patient, builders_details(patient, phone="2"), now=NOW)
    undo()
    patient.refresh_from_db()
    assert (patient.family_name, patient.given_name, patient.phone) == ("Brand", "Test", "2")
    assert (patient.location, patient.email, patient.status) == (home, "", PatientStatus.ON_THERAPY)
    assert patient.therapy_started_on == date(2024, 10, 1)
    assert [c.payer for c in Coverage.objects.filter(voided_at=None)] == [old]
    assert not Consent.objects.filter(voided_at=None).exists()
    assert {token.token for token in FindToken.objects.all()} == find_tokens(patient)


def test_what_it_replaced_stands_again(tmp_path: Path) -> None:
    bring(tmp_path / "a", patients=PATIENT, events=f"{EVENTS}\nP1,pause,,2026-02-01,,\n")
    bring(
        tmp_path / "b",
        patients=PATIENT.replace("Payer B", "Payer C"),
        events=f"{EVENTS}\nP1,pause,,2026-02-01,2026-03-01,\n",
    )
    bring(tmp_path / "c", patients=PATIENT.replace("Payer B", "Payer D"))
    undo()
    standing = Coverage.objects.filter(voided_at=None).order_by("starts_on")
    assert [c.payer.name for c in standing if c.payer] == ["Payer B", "Payer C"]
    undo(ImportBatch.objects.order_by("pk")[1])
    assert Event.objects.get(voided_at=None).until is None
    assert [c.payer.name for c in Coverage.objects.filter(voided_at=None) if c.payer] == ["Payer B"]
    assert Patient.objects.get().status == PatientStatus.ON_THERAPY


def test_a_payer_is_planned_as_before_unless_it_has_other_allowances(tmp_path: Path) -> None:
    payer, other = builders.make_payer(name="Payer B"), builders.make_payer(name="Payer C")
    rows = "Payer B,A7032,2,1,month,3,2024-01-01\nPayer C,A7032,2,1,month,3,2024-01-01\n"
    bring(tmp_path, allowances=f"{ALLOWANCES}\n{rows}")
    builders.make_allowance(other, part_code="A7034")
    undo()
    payer.refresh_from_db()
    other.refresh_from_db()
    assert (payer.refill_source, other.refill_source) == (RefillSource.CLINIC, RefillSource.SHIPPED)


def test_plans_of_others_whom_its_rules_reached_are_refreshed(tmp_path: Path) -> None:
    patient = builders.make_patient()
    give(patient, date(2026, 3, 1), NewLine(part_code="A7032", quantity=1))
    bring(tmp_path, lives=f"{LIVES}\nA7032,2,week,2026-01-01,,\n")
    assert PlanLine.objects.get().worn_on == date(2026, 3, 15)
    undo()
    assert PlanLine.objects.get().worn_on == date(2026, 4, 1)


# --- no ---


def dispense_at_the_desk(patient: Patient) -> None:
    give(patient, date(2026, 3, 1), NewLine(part_code="A7038", quantity=1))


def report_a_loss(patient: Patient) -> None:
    events.record_loss(patient=patient, kind="mask", on=date(2026, 3, 1), by=None, now=NOW)


def change_the_payer(patient: Patient) -> None:
    people.set_coverage(patient, None, starts_on=TODAY, by=None, now=NOW)


def end_therapy(patient: Patient) -> None:
    people.change_status(patient, PatientStatus.DIED, now=NOW)


def give_an_address(patient: Patient) -> None:
    feeds.subscribe(patient, feeds.Options(), by=None, now=NOW)


def say_no_to_mail(patient: Patient) -> None:
    people.withdraw_consent(patient, "mail", given_on=TODAY, how="at the desk", by=None, now=NOW)


def order(patient: Patient) -> None:
    builders.make_order(patient)


def answer_about_magnets(patient: Patient) -> None:
    builders.make_screen(patient)


@pytest.mark.parametrize(
    "build_on",
    [
        dispense_at_the_desk,
        report_a_loss,
        change_the_payer,
        end_therapy,
        give_an_address,
        say_no_to_mail,
        order,
        answer_about_magnets,
    ],
)
def test_it_is_refused_where_the_clinic_built_on_it(
    tmp_path: Path, build_on: Callable[[Patient], None]
) -> None:
    bring(tmp_path, **WHOLE)
    patient, batch = Patient.objects.get(), ImportBatch.objects.get()
    assert count_built_on(batch) == 0
    build_on(patient)
    assert count_built_on(batch) == 1
    with pytest.raises(Refused) as refused:
        undo()
    assert refused.value.code == "built_on"
    assert refused.value.message.startswith("1 patient has records")
    assert Dispense.objects.filter(voided_at=None).exists()
    assert ImportBatch.objects.get().undone_at is None


def test_it_is_refused_where_a_later_import_built_on_it_and_goes_once_that_is_undone(tmp_path: Path) -> None:
    bring(tmp_path / "a", **WHOLE)
    bring(tmp_path / "b", dispenses=f"{DISPENSES}\nP1,2026-03-05,A7032,2,,yes,,,,\n")
    first = ImportBatch.objects.order_by("pk")[0]
    with pytest.raises(Refused, match="1 patient has"):
        undo(first)
    undo()
    undo(first)
    assert not Dispense.objects.filter(voided_at=None).exists()


def test_it_goes_once_the_later_records_are_voided(tmp_path: Path) -> None:
    bring(tmp_path, **WHOLE)
    dispense_at_the_desk(Patient.objects.get())
    later = Dispense.objects.latest("pk")
    corrections.void_dispense(later, reason="not given", by=None, now=NOW)
    undo()
    later.refresh_from_db()
    assert later.void_reason == "not given"


def test_a_line_voided_at_the_desk_keeps_its_own_reason(tmp_path: Path) -> None:
    bring(tmp_path, **WHOLE)
    corrections.void_line(DispenseLine.objects.earliest("pk"), reason="never given", by=None, now=NOW)
    undo()
    assert [line.void_reason for line in DispenseLine.objects.order_by("pk")] == [
        "never given",
        "import undone: the wrong list",
    ]


def test_it_needs_a_reason_and_is_done_once(tmp_path: Path) -> None:
    bring(tmp_path, **WHOLE)
    with pytest.raises(Refused) as refused:
        undo(reason="  ")
    assert refused.value.code == "reason_missing"
    undo()
    with pytest.raises(Refused) as refused:
        undo()
    assert refused.value.code == "already_undone"


def test_a_withdrawn_patient_is_nobodys(tmp_path: Path) -> None:
    """Not found, not known to an import, and the reference is not taken silently."""
    bring(tmp_path, **WHOLE)
    patient = Patient.objects.get()
    undo()
    assert recent_patients(Patient.objects.exclude(status=PatientStatus.WITHDRAWN)) == []
    report = bring(tmp_path / "b", dispenses=f"{DISPENSES}\nP1,2026-03-05,A7032,2,,yes,,,,\n")
    assert "neither in patients.csv nor on record" in report.errors[0].wrong
    with pytest.raises(Refused, match="an import that was undone"):
        people.create_patient(builders_details(patient), by=None, now=NOW)
    with pytest.raises(Refused, match="listed states"):
        people.change_status(patient, PatientStatus.WITHDRAWN, now=NOW)


def test_a_list_that_adds_nothing_leaves_no_batch(tmp_path: Path) -> None:
    bring(tmp_path, **WHOLE)
    bring(tmp_path, **WHOLE)
    assert ImportBatch.objects.count() == 1
    assert bring(tmp_path / "b", patients=f"{PATIENTS}\n").added["patients"] == 0
    assert ImportBatch.objects.get().file_names == [
        "patients.csv", "lives.csv", "allowances.csv", "dispenses.csv", "events.csv"
    ]  # fmt: skip
