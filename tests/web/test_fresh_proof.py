"""Whatever hands out patients' records as a file asks for a fresh proof of who is there."""

from clinic.accounts.guard import SENSITIVE, TAKES_AWAY
from tests.web.addresses import views

WITHOUT_PATIENTS = {
    "stock:csv": "shelves and lots",
    "manager:catalogue_csv": "items",
    "manager:measures_csv": "counts by month and location",
    "manager:outlook_csv": "units by week and location",
    "desk:import_template": "an empty list",
}
PAPERS = {
    "desk:slip_pdf": "of one dispense, printed at the desk with the part in hand",
    "therapist:care_sheet_pdf": "of one patient, handed over in the room",
}
"""Pages of one patient on paper: logged as pages are, and what they show is on the screen already."""
FILES = ("csv", "xlsx", "pdf", "json", "file", "failed", "template")


def test_every_file_of_patients_asks_for_a_fresh_proof() -> None:
    known = {name for name in views() if not name.startswith(("fhir:", "feed:"))}
    files = {name for name in known if name.endswith(FILES)}
    assert files - TAKES_AWAY == WITHOUT_PATIENTS.keys() | PAPERS.keys()
    assert known >= TAKES_AWAY | SENSITIVE
