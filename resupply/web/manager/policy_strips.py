"""Two strips a line, before and after a draft, for the first patients of its list."""

from datetime import date

from resupply.queries.draft_strips import DrawnLine, DrawnPatient
from resupply.rules.lines import read
from resupply.web.strip import StripChart, StripLine, default_window, layout
from resupply.web.strip_units import strip_line, strip_units
from resupply.web.wording import kind_word


def strips(found: list[DrawnPatient], *, as_of: date) -> list[tuple[DrawnPatient, StripChart]]:
    """Each patient with a chart: under each other the line as it is, and as it would be."""
    start, end = default_window(as_of)
    charts = []
    for one in found:
        rows = [_row(line, one, after, as_of) for line in one.lines for after in (0, 1)]
        charts.append((one, layout(rows, today=as_of, start=start, end=end)))
    return charts


def _row(line: DrawnLine, patient: DrawnPatient, after: int, as_of: date) -> StripLine:
    plan, units = line.plans[after], strip_units(line.wear[after], today=as_of)
    kind, side = kind_word(line.kind).capitalize(), "with the draft" if after else "as it is now"
    return strip_line(kind, side, plan, read(plan, as_of=as_of), units, patient.pauses)
