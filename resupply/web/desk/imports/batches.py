"""What was imported, and taking it back."""

from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.models import ImportBatch
from resupply.queries import imports as import_queries
from resupply.services.importing.undo import count_built_on, undo_import
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.desk.imports.forms import UndoForm
from resupply.web.desk.imports.words import amounts, state_words
from resupply.web.forms import written
from resupply.web.methods import GET_OR_POST, posted
from resupply.web.paging import number_in


@may("import.run")
@require_GET
def imports(request: StaffRequest) -> HttpResponse:
    """Lists on their way, and everything that was imported."""
    after = number_in(request, "after")
    page = import_queries.batches(after=after or None)
    context: dict[str, Any] = {
        "uploads": [(upload, state_words(upload)) for upload in import_queries.on_their_way()],
        "batches": [(batch, amounts(batch.rows_added)) for batch in page.rows],
        "older_url": f"?after={page.after}" if page.after else "",
        "first_url": reverse("desk:imports") if after else "",
        "today": clock.today(request.zone),
    }
    return render(request, "desk/imports/list.html", context)


@may("import.run")
@GET_OR_POST
def undo(request: StaffRequest, public_id: Any) -> HttpResponse:
    """Take a whole import back, with a reason."""
    batch = access.batch_or_404(public_id)
    form = UndoForm(posted(request))

    def write() -> ImportBatch:
        reason = form.cleaned_data["reason"]
        return undo_import(batch, reason=reason, by=request.staff.user, now=clock.now())

    if request.method == "POST" and written(form, write) is not None:
        messages.success(request, f"Import undone: {amounts(batch.rows_added)}.")
        return redirect("desk:imports")
    context = {
        "batch": batch,
        "brought": amounts(batch.rows_added),
        "built_on": 0 if batch.undone_at else count_built_on(batch),
        "form": form,
        "today": clock.today(request.zone),
    }
    return render(request, "desk/imports/undo.html", context, status=422 if form.is_bound else 200)
