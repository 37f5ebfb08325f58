"""The import of a folder of CSV files."""

from datetime import datetime
from pathlib import Path

from django.contrib.auth.base_user import AbstractBaseUser

from resupply.services.importing.columns import TABLES
from resupply.services.importing.importer import Import, import_rows
from resupply.services.importing.reading import read_folder
from resupply.services.importing.report import Report


def import_folder(
    folder: Path,
    *,
    commit: bool,
    now: datetime,
    by: AbstractBaseUser | None = None,
    mail_consent: bool = True,
) -> Report:
    """Import the files of a folder as `import_rows` does; what it found and did."""
    report = Report()
    raws = read_folder(folder, report)
    names = [table.file for table in TABLES if table.name in raws]
    how = Import(commit=commit, now=now, by=by, mail_consent=mail_consent, file_names=names)
    import_rows(raws, report, how)
    return report
