"""Two imports at once: the second waits for the first, and then finds everything on record."""

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from django.db import connection

from resupply.models import DispenseLine, Event, Patient, PlanLine
from resupply.services.importing import Report, import_folder
from tests.builders import NOW
from tests.services.importing import DISPENSES, EVENTS, PATIENT, write


@pytest.mark.django_db(transaction=True)
def test_the_same_folder_by_two_at_once_is_imported_once(tmp_path: Path) -> None:
    folder = write(
        tmp_path,
        patients=PATIENT,
        dispenses=f"{DISPENSES}\nP1,2026-01-05,A7032,2,,yes,,,,\nP1,2026-01-05,A7032,2,,yes,,,,\n",
        events=f"{EVENTS}\nP1,swap,cushion,2026-01-20,,\n",
    )

    def bring(_: int) -> Report:
        try:
            return import_folder(folder, commit=True, now=NOW)
        finally:
            connection.close()

    with ThreadPoolExecutor(4) as pool:
        reports = list(pool.map(bring, range(4)))
    assert [report.errors for report in reports] == [[]] * 4
    assert sorted(report.added["dispenses"] for report in reports) == [0, 0, 0, 2]
    assert (Patient.objects.count(), DispenseLine.objects.count(), Event.objects.count()) == (1, 2, 1)
    assert PlanLine.objects.count() == 1
