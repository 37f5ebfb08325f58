"""Records from CSV files: read, checked as a whole, and written all or nothing.

`folder.import_folder` is the one entry. The files and their columns stand in `columns.py`; every fault
names its file, row, column and value, says what is wrong and what to write instead.
"""

from resupply.services.importing.folder import import_folder
from resupply.services.importing.report import Problem, Report

__all__ = ["Problem", "Report", "import_folder"]
