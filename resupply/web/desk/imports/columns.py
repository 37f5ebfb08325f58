"""What a list may hold: every column explained, and empty files to fill in."""

from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from resupply.delivery.tables_out import csv_lines
from resupply.delivery.workbooks import empty_workbook
from resupply.rules.tables import part_types
from resupply.services.importing.columns import DAYS, TABLES
from resupply.services.jobs.kinds import CSV, XLSX
from resupply.services.uploads import KEPT, MOST_BYTES, MOST_ROWS
from resupply.web.access import StaffRequest, may
from resupply.web.desk.imports.words import ABOUT, COLUMNS
from resupply.web.files import as_file

WORKBOOK = "list.xlsx"


@may("import.run")
@require_GET
def columns(request: StaffRequest) -> HttpResponse:
    """Every table and column in words."""
    tables = [
        {
            "table": table,
            "about": ABOUT[table.name],
            "columns": [(name, name in table.required, *COLUMNS[table.name][name]) for name in table.columns],
        }
        for table in TABLES
    ]
    parts = sorted(part_types().values(), key=lambda part: part.code)
    context = {"tables": tables, "workbook": WORKBOOK, "parts": parts}
    return render(request, "desk/imports/columns.html", context)


@may("import.run")
@require_GET
def template(request: StaffRequest, file_name: str) -> HttpResponse:
    """An empty file with its columns: one table as CSV, or all as a workbook."""
    if file_name == WORKBOOK:
        content = empty_workbook({table.name: table.columns for table in TABLES}, days=DAYS)
        return as_file(HttpResponse(content, content_type=XLSX), file_name)
    for table in TABLES:
        if table.file == file_name:
            empty = "".join(csv_lines(table.columns, ()))
            return as_file(HttpResponse(empty, content_type=CSV), file_name)
    raise Http404


def limits() -> dict[str, int]:
    """How much may be sent at once, and how long it is kept."""
    return {"most_mb": MOST_BYTES // 1024 // 1024, "most_rows": MOST_ROWS, "kept_days": KEPT.days}
