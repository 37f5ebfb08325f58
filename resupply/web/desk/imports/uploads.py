"""One list on its way: sent, checked, mended, written or given up.

The page shows how far a worker is; it asks again by itself each second, or by a reload without JavaScript.
"""

from collections.abc import Callable
from typing import Any
from uuid import UUID

from django.core.files.uploadedfile import UploadedFile
from django.http import Http404, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.datastructures import MultiValueDict
from django.views.decorators.http import require_GET
from django_htmx.http import HttpResponseClientRefresh

from resupply import clock
from resupply.models import Upload, UploadState
from resupply.queries import imports as import_queries
from resupply.services import uploads as upload_services
from resupply.services.errors import Refused
from resupply.services.importing.columns import TABLES
from resupply.services.jobs.kinds import CSV
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.desk.imports.columns import limits
from resupply.web.desk.imports.forms import FilesForm, MendForm, UploadForm
from resupply.web.desk.imports.words import AT_WORK, NOUNS, amounts, stage_words, state_words
from resupply.web.files import as_file
from resupply.web.forms import written
from resupply.web.methods import GET_OR_POST
from resupply.web.paging import number_in


@may("import.run")
@GET_OR_POST
def new(request: StaffRequest) -> HttpResponse:
    """Send the files of a list."""
    form = UploadForm(*_given(request))

    def write() -> Upload:
        return upload_services.receive(
            form.as_sent(),
            by=request.staff.user,
            now=clock.now(),
            mail_consent=form.cleaned_data["mail_consent"],
        )

    if upload := _sent(request, form, write):
        return redirect("desk:import_upload", upload.public_id)
    context = {"form": form, "tables": TABLES, **limits()}
    return render(request, "desk/imports/new.html", context, status=422 if form.is_bound else 200)


@may("import.run")
@require_GET
def upload(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Where a list stands. Asked by htmx: how far the work is, or to show the page anew once it is done."""
    found = access.upload_or_404(public_id)
    is_at_work = found.state in AT_WORK
    if request.headers.get("HX-Request") and not is_at_work:
        return HttpResponseClientRefresh()
    if request.headers.get("HX-Request"):
        return render(request, "desk/imports/_progress.html", _progress(found))
    return render(request, "desk/imports/upload.html", _page(request, found, MendForm()))


@may("import.run")
@require_GET
def failed(request: StaffRequest, public_id: UUID, table: str) -> HttpResponse:
    """The rows at fault of a table, with what to mend."""
    content = import_queries.failed_file(access.upload_or_404(public_id), table)
    if content is None:
        raise Http404
    return as_file(HttpResponse(content, content_type=CSV), f"{table}-to-mend.csv")


@may("import.run")
@GET_OR_POST
def mend(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Take in mended rows."""
    found = access.upload_or_404(public_id)
    form = MendForm(*_given(request))
    if _sent(request, form, lambda: upload_services.take_back_mended(found, form.as_sent())):
        return redirect("desk:import_upload", found.public_id)
    status = 422 if form.is_bound else 200
    return render(request, "desk/imports/upload.html", _page(request, found, form), status=status)


@may("import.run")
@GET_OR_POST
def accept(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Have a checked list written."""
    found = access.upload_or_404(public_id)
    return _decided(
        request,
        found,
        lambda: upload_services.accept(found, by=request.staff.user),
        title="Import this list",
        action="Import this list",
        text=f"It brings {amounts(found.report.get('added', {}))}. All of it is imported, or nothing.",
    )


@may("import.run")
@GET_OR_POST
def again(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Check a list again that was stopped by a fault."""
    found = access.upload_or_404(public_id)
    return _decided(
        request,
        found,
        lambda: upload_services.try_again(found),
        title="Check this list again",
        action="Check this list again",
        text="Nothing of it has been imported. It is checked from its first row.",
    )


@may("import.run")
@GET_OR_POST
def drop(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Give a list up, and everything its files hold."""
    found = access.upload_or_404(public_id)
    return _decided(
        request,
        found,
        lambda: upload_services.give_up(found),
        title="Give this list up",
        action="Give this list up",
        text="Nothing of it is imported, and what its files hold is removed here. Your own files stay as "
        "they are; they can be sent again.",
    )


def _given(
    request: StaffRequest,
) -> "tuple[QueryDict | None, MultiValueDict[str, UploadedFile[bytes]] | None]":
    """What a form is bound to: also to nothing at all, where that was sent."""
    return (request.POST, request.FILES) if request.method == "POST" else (None, None)


def _sent(request: StaffRequest, form: FilesForm, write: Callable[[], Upload]) -> Upload | None:
    """The upload once the files of a form are taken in; None where there is something to mend."""
    if request.method != "POST":
        return None
    if form.is_too_big(request.headers.get("Content-Length", "")):
        return None
    return written(form, write)


def _decided(
    request: StaffRequest, found: Upload, decide: Callable[[], Upload], *, title: str, action: str, text: str
) -> HttpResponse:
    """Ask, or do it and go back to the list."""
    back_url = reverse("desk:import_upload", args=[found.public_id])
    context: dict[str, Any] = {
        "title": title,
        "action": action,
        "text": text,
        "back_url": back_url,
        "names": import_queries.sent_names(found),
    }
    if request.method == "GET":
        return render(request, "desk/imports/confirm.html", context)
    try:
        decide()
    except Refused as refusal:
        return render(
            request, "desk/imports/confirm.html", context | {"refusal": refusal.message}, status=422
        )
    return redirect(back_url)


def _page(request: StaffRequest, found: Upload, form: FilesForm) -> dict[str, Any]:
    report = found.report
    has_errors = bool(report.get("errors"))
    warnings = request.GET.get("show") == "warnings" or not has_errors
    page = import_queries.problems(
        found,
        warnings=warnings,
        after=number_in(request, "after") or None,
        before=number_in(request, "before") or None,
    )
    show = "show=warnings&" if warnings and has_errors else ""
    return {
        **_progress(found),
        **limits(),
        "names": import_queries.sent_names(found),
        "is_at_work": found.state in AT_WORK,
        "is_checked": found.state == UploadState.CHECKED,
        "tables": _by_table(report) if report else [],
        "failed": [(table, len(numbers)) for table, numbers in report.get("failed", {}).items()],
        "is_new": any((*report.get("added", {}).values(), *report.get("changed", {}).values())),
        "problems": page.rows,
        "is_workbook": any(name.lower().endswith(".xlsx") for name in import_queries.sent_names(found)),
        "warnings": warnings,
        "newer_url": f"?{show}before={page.before}" if page.before else "",
        "older_url": f"?{show}after={page.after}" if page.after else "",
        "form": form,
        "today": clock.today(request.zone),
    }


def _progress(found: Upload) -> dict[str, Any]:
    return {
        "upload": found,
        "state": state_words(found),
        "stage": stage_words(found),
        "done": found.progress.get("done", 0),
        "of": found.progress.get("of", 0),
    }


def _by_table(report: dict[str, dict[str, Any]]) -> list[dict[str, Any]]:
    """Rows of each table: in the files, new, changed, on record already, at fault."""
    rows = []
    for table in NOUNS:
        if table in report["rows"]:
            row = {name: report[name].get(table, 0) for name in ("rows", "added", "changed", "known")}
            rows.append({"name": table, **row, "failed": len(report["failed"].get(table, []))})
    return rows
