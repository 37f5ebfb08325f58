"""Files that pages hand out: named by nothing of a patient's, and kept nowhere on the way."""

from collections.abc import Iterable, Sequence
from tempfile import TemporaryFile
from typing import TypeVar

from django.http import FileResponse, StreamingHttpResponse
from django.http.response import HttpResponseBase

from resupply.delivery.tables_out import Cell, csv_lines
from resupply.delivery.workbooks import write_workbook
from resupply.services.jobs.kinds import CSV, XLSX

MOST_IN_A_WORKBOOK = 20_000
"""Rows of a workbook made while somebody waits; CSV has no end."""

R = TypeVar("R", bound=HttpResponseBase)


def as_file(response: R, name: str, *, opens: bool = False) -> R:
    """The answer as a file to save; `opens`: one that the browser shows."""
    response["Content-Disposition"] = f'{"inline" if opens else "attachment"}; filename="{name}"'
    response["Cache-Control"] = "no-store"
    return response


def csv_file(name: str, header: Sequence[str], rows: Iterable[Sequence[Cell]]) -> StreamingHttpResponse:
    """A table as CSV, sent as it is read."""
    return as_file(StreamingHttpResponse(csv_lines(header, rows), content_type=CSV), f"{name}.csv")


def workbook_file(
    name: str, sheet: str, header: Sequence[str], rows: Iterable[Sequence[Cell]]
) -> HttpResponseBase:
    """A table as a workbook of one sheet; whoever calls has counted the rows."""
    file = TemporaryFile()  # noqa: SIM115 - the response closes it
    write_workbook(file, sheet, header, rows)
    file.seek(0)
    return as_file(FileResponse(file, content_type=XLSX), f"{name}.xlsx")
