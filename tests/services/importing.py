"""Writing folders for import tests: text in, folder out, and a count of everything on record."""

from collections.abc import Mapping
from pathlib import Path

from django.apps import apps

from resupply.services.importing import Problem, Report, import_folder
from tests.builders import NOW

PATIENTS = (
    "patient_ref,given_name,family_name,birth_date,email,phone,language,time_zone,location,payer,"
    "therapy_started_on"
)
PATIENT = (
    f"{PATIENTS}\nP1,Odalys,Brandt,1961-02-04,odalys@patients.example,+1 303 555 0142,en,America/Denver,"
    "North room,Payer B,2024-10-01\n"
)
LIVES = "part_code,period_count,period_unit,effective_from,patient_ref,reason"
ALLOWANCES = "payer,part_code,units,period_count,period_unit,at_once_periods,effective_from"
DISPENSES = "patient_ref,dispensed_on,part_code,quantity,first_use_on,billed,family,lot,expires_on,contains"
EVENTS = "patient_ref,event,kind,on,until,family"


def write(folder: Path, **files: str | bytes) -> Path:
    """A folder with `<name>.csv` files of the given text (or bytes as they are)."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, content in files.items():
        data = content if isinstance(content, bytes) else content.encode()
        (folder / f"{name}.csv").write_bytes(data)
    return folder


def bring(folder: Path, *, commit: bool = True, **files: str | bytes) -> Report:
    """Write the files and import them on the suite's usual day."""
    return import_folder(write(folder, **files), commit=commit, now=NOW)


def on_record() -> Mapping[str, int]:
    """Rows of every table of the program, history included."""
    return {
        model.__name__: model._default_manager.count()
        for model in apps.get_app_config("resupply").get_models()
    }


def said(problem: Problem) -> tuple[str, int, str, str]:
    """Where a problem lies and what the cell holds."""
    return (problem.file, problem.row, problem.column, problem.value)
