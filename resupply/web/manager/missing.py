"""Parts that patients on therapy should have and were never given: on screen and as CSV."""

from collections.abc import Iterator
from typing import Any

from django.http import HttpResponse, StreamingHttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.delivery.tables_out import Cell
from resupply.queries.missing_lines import Lacking, all_lacking, lacking_page
from resupply.rules.kinds import Kind
from resupply.rules.missing_lines import Because, Gap
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.files import csv_file
from resupply.web.forms import AtLocationForm, any_kind, any_location, dress
from resupply.web.paging import number_in, turned, with_filters
from resupply.web.wording import kind_word

BECAUSE = {
    Because.THERAPY: "therapy needs one",
    Because.MASK: "the mask on record needs one",
    Because.PARTS: "parts of a mask are on record",
    Because.HUMIDIFIER: "the device on record has a humidifier",
}
_HEADER = (
    "patient_ref", "given_name", "family_name", "birth_date", "phone", "location", "missing", "because",
)  # fmt: skip


class MissingForm(AtLocationForm):
    """Narrow the list; what does not fit is as good as empty."""

    location = any_location("All my locations")
    kind = any_kind()

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        dress(self)

    def asked(self, location_ids: frozenset[int]) -> tuple[frozenset[int], Kind | None]:
        """The locations (empty: all) and the kind; once validated."""
        place, kind = self.cleaned_data.get("location"), self.cleaned_data.get("kind")
        return frozenset({place.pk}) if place else location_ids, Kind(kind) if kind else None


@may("overdue.see")
@require_GET
def missing(request: StaffRequest) -> HttpResponse:
    """A page of patients, each with what is missing and why it should be there."""
    form = MissingForm(request.GET, locations=access.locations(request))
    form.is_valid()
    places, kind = form.asked(request.location_ids)
    after = number_in(request, "after")
    page = lacking_page(places, kind=kind, after=after)
    context = {
        "form": form,
        "rows": [
            (row.patient, [(gap_words(gap), BECAUSE[gap.because]) for gap in row.gaps]) for row in page.rows
        ],
        "older_url": turned(request, "after", page.after),
        "first_url": with_filters(request, "manager:missing") if after else "",
        "list_url": reverse("manager:missing"),
        "csv_url": with_filters(request, "manager:missing_csv"),
        "today": clock.today(request.zone),
    }
    return render(request, "manager/missing.html", context)


@may("overdue.export")
@require_GET
def missing_csv(request: StaffRequest) -> StreamingHttpResponse:
    """All of them, a row for each missing part, sent as they are found."""
    form = MissingForm(request.GET, locations=access.locations(request))
    form.is_valid()
    places, kind = form.asked(request.location_ids)
    day = clock.today(request.zone).isoformat()
    return csv_file(f"parts-never-given-{day}", _HEADER, _cells(all_lacking(places, kind=kind)))


def gap_words(gap: Gap) -> str:
    """`Tubing`; `Disposable filter or reusable filter`."""
    first, *others = (kind_word(kind) for kind in gap.kinds)
    return " or ".join([first, *(other.lower() for other in others)])


def _cells(rows: Iterator[Lacking]) -> Iterator[list[Cell]]:
    for row in rows:
        patient = row.patient
        for gap in row.gaps:
            yield [
                patient.reference, patient.given_name, patient.family_name, patient.birth_date, patient.phone,
                patient.location.name, gap_words(gap), BECAUSE[gap.because],
            ]  # fmt: skip
