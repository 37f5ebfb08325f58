"""History for managers: who saw which records, who changed what, and an accounting of disclosures.

A manager of some locations sees the doings of people who work at one of them, and of patients only their own.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from itertools import islice
from typing import Any
from uuid import UUID

from django import forms
from django.contrib import messages
from django.db.models import Q
from django.http import Http404, HttpResponse, StreamingHttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.delivery.tables_out import Cell
from resupply.models import Patient, ReadKind, Staff
from resupply.queries import history_log as log
from resupply.queries.disclosures import accounting
from resupply.queries.history_log import Changed, Seen, Wanted
from resupply.queries.names import staff_name
from resupply.queries.seal_check import newest_seal
from resupply.rules.retention import Records, kept
from resupply.rules.zones import zone_named
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.files import MOST_IN_A_WORKBOOK, csv_file, workbook_file
from resupply.web.forms import day_field
from resupply.web.page_words import page_words
from resupply.web.paging import paged, turned, with_filters

PAGE = 50
_HEADER = ("at", "who", "kind", "page", "came_from", "emergency_access", "patients", "what")
_DISCLOSED = ("at", "way", "to", "what", "purpose", "asked_for_by_law")
_KINDS = (("seen", "Who saw records"), ("changed", "Who changed what"))


class HistoryForm(forms.Form):
    """What is looked for."""

    kind = forms.ChoiceField(label="Show", choices=_KINDS, required=False)
    person = forms.ModelChoiceField(Staff.objects.none(), label="By", required=False, empty_label="Anybody")
    since = day_field("From", required=False)
    until = day_field("Until", required=False)

    def __init__(self, *args: Any, staff: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        person: Any = self.fields["person"]
        person.queryset = staff
        person.label_from_instance = lambda one: staff_name(one.user)
        for name in ("kind", "person"):
            self.fields[name].widget.attrs["class"] = "form-select"


@dataclass(frozen=True, slots=True)
class Asked:
    """The form, the patient if it is about one, and what that looks for."""

    form: HistoryForm
    person: Patient | None
    wanted: Wanted
    is_seen: bool


@dataclass(frozen=True, slots=True)
class Row:
    """A row as the page shows it."""

    at: datetime
    who: str
    what: str
    where: str
    patients: str
    is_emergency: bool


@may("history.see")
@require_GET
def history(request: StaffRequest) -> HttpResponse:
    """A page of history: reads or changes, of everybody or of one patient."""
    asked = _asked(request)
    before = _place_in(request.GET.get("before", ""))
    ask = log.seen if asked.is_seen else log.changed
    found: list[Seen | Changed] = [*ask(asked.wanted, before=before, at_most=PAGE + 1)]
    rows, further = found[:PAGE], len(found) > PAGE
    last = f"{rows[-1].at.isoformat()}~{rows[-1].key}" if further else ""
    today = clock.today(request.zone)
    context = {
        "today": today,
        "form": asked.form,
        "person": asked.person,
        "rows": list(_rows(request, rows)),
        "is_seen": asked.is_seen,
        "list_url": reverse("manager:history"),
        "older_url": turned(request, "before", last),
        "first_url": with_filters(request, "manager:history") if before else "",
        "csv_url": with_filters(request, "manager:history_csv"),
        "xlsx_url": with_filters(request, "manager:history_xlsx"),
        "seal": newest_seal(),
        "kept": kept(Records.READS if asked.is_seen else Records.CHANGES, today),
    }
    return render(request, "manager/history.html", context)


@may("history.see")
@require_GET
def history_csv(request: StaffRequest) -> StreamingHttpResponse:
    """Every row as CSV, sent as it is read."""
    rows = _cells(request, _asked(request))
    return csv_file(f"history-{clock.today(request.zone).isoformat()}", _HEADER, rows)


@may("history.see")
@require_GET
def history_xlsx(request: StaffRequest) -> HttpResponseBase:
    """Every row as a workbook; a longer history is narrowed first, or taken as CSV."""
    rows = list(islice(_cells(request, _asked(request)), MOST_IN_A_WORKBOOK + 1))
    if len(rows) > MOST_IN_A_WORKBOOK:
        messages.error(
            request, f"This has more than {MOST_IN_A_WORKBOOK:,} rows. Narrow it, or take the CSV."
        )
        return redirect(with_filters(request, "manager:history"))
    return workbook_file(f"history-{clock.today(request.zone).isoformat()}", "History", _HEADER, iter(rows))


@may("history.see")
@require_GET
def disclosures(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Whom one patient's records were disclosed to, as far as the program knows."""
    person = access.patient_or_404(request, public_id)
    today = clock.today(person.time_zone)
    context = paged(request, accounting(person, today=today), PAGE) | {
        "person": person,
        "today": today,
        "kept": kept(Records.DISCLOSURES, today),
    }
    return render(request, "manager/disclosures.html", context)


@may("history.see")
@require_GET
def disclosures_csv(request: StaffRequest, public_id: UUID) -> StreamingHttpResponse:
    """The same as CSV, to be completed by hand."""
    person = access.patient_or_404(request, public_id)
    today = clock.today(person.time_zone)
    lines = (
        [row.at.isoformat(timespec="seconds"), row.way, row.to, row.what, row.purpose, row.asked_for]
        for row in accounting(person, today=today)
    )
    return csv_file(f"disclosures-{today.isoformat()}", _DISCLOSED, lines)


def _asked(request: StaffRequest) -> Asked:
    staff = Staff.objects.select_related("user").order_by("user__last_name", "user__username")
    if request.location_ids:
        here = Q(locations__in=sorted(request.location_ids)) | Q(locations=None)
        staff = staff.filter(pk__in=Staff.objects.filter(here).values("pk"))
    form = HistoryForm(request.GET or None, staff=staff)
    form.is_valid()
    data = form.cleaned_data if form.is_bound else {}
    person, member = _patient(request), data.get("person")
    wanted = Wanted(
        patient=person,
        user_id=member.user_id if member else None,
        since=_moment(data.get("since"), request.zone),
        until=_moment(data.get("until"), request.zone, days=1),
        among=[one.user_id for one in staff] if request.location_ids and person is None else None,
    )
    return Asked(form, person, wanted, data.get("kind") != "changed")


def _patient(request: StaffRequest) -> Patient | None:
    """The patient an address names by the public id, if it names one."""
    text = request.GET.get("patient", "")
    if not text:
        return None
    try:
        return access.patient_or_404(request, UUID(text))
    except ValueError:
        raise Http404 from None


def _rows(request: StaffRequest, found: list[Seen | Changed]) -> Iterator[Row]:
    users = log.names_of([one.user_id for one in found if isinstance(one, Changed)])
    single = [one.row.patients[0] for one in found if isinstance(one, Seen) and len(one.row.patients) == 1]
    named = {one.pk: one.name for one in access.patients(request).filter(pk__in=single)}
    for one in found:
        if isinstance(one, Changed):
            what = ", ".join(f"{noun} {_LABELS.get(label, label)}" + (f" ×{number}" if number > 1 else "")
                             for noun, label, number in one.what)  # fmt: skip
            yield Row(one.at, users.get(one.user_id, "the program"), what, one.address, "", False)
            continue
        row, count = one.row, len(one.row.patients)
        shown = named.get(row.patients[0], "a patient") if count == 1 else f"{count} patients"
        came = page_words(row.came_from)
        yield Row(one.at, _who(one), page_words(row.page), came, shown, row.emergency is not None)


def _cells(request: StaffRequest, asked: Asked) -> Iterator[list[Cell]]:
    found = log.everything(asked.wanted, is_seen=asked.is_seen)
    while batch := list(islice(found, 500)):
        users = log.names_of([one.user_id for one in batch if isinstance(one, Changed)])
        ids = {pk for one in batch if isinstance(one, Seen) for pk in one.row.patients}
        visible = access.patients(request).filter(pk__in=ids)
        references = dict(visible.values_list("pk", "reference"))
        for one in batch:
            at = one.at.isoformat(timespec="seconds")
            if isinstance(one, Changed):
                what = ", ".join(f"{noun}: {label} ×{number}" for noun, label, number in one.what)
                yield [at, users.get(one.user_id, "the program"), "changed", one.address, "", "", "", what]
                continue
            row = one.row
            named = " ".join(references[pk] for pk in row.patients if pk in references)
            emergency = str(row.emergency) if row.emergency is not None else ""
            yield [at, _who(one), row.kind, row.page, row.came_from, emergency, named, ""]


def _who(one: Seen) -> str:
    row = one.row
    if row.integration is not None:
        return f"{row.integration.name} (program)"
    if row.user is not None:
        return staff_name(row.user)
    return "the patient" if row.kind == ReadKind.OWN else "the program"


_LABELS = {"insert": "recorded", "update": "changed", "insert_insert": "recorded", "update_update": "changed"}


def _place_in(text: str) -> tuple[datetime, str] | None:
    """The place an address names; anything else is the first page."""
    moment, _, key = text.partition("~")
    try:
        at = datetime.fromisoformat(moment)
    except ValueError:
        return None
    return (at, key) if at.tzinfo is not None and key and "\0" not in key and len(key) < 120 else None


def _moment(day: date | None, zone: str, *, days: int = 0) -> datetime | None:
    """The beginning of a day, or of the day after it, where the person asking is."""
    if day is None or day.year in (1, 9999):
        return None
    return datetime.combine(day + timedelta(days=days), time(), zone_named(zone))
