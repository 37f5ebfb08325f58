"""Jobs in the background: how far they are, the file at their end, stopping them. Only who asked sees one.

The page asks again by itself each second, or by a reload without JavaScript.
"""

from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpResponse, StreamingHttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET
from django_htmx.http import HttpResponseClientRefresh

from resupply import clock
from resupply.models import Job, JobState
from resupply.services import jobs as job_services
from resupply.services.errors import Refused
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.act import Back, ask
from resupply.web.files import as_file
from resupply.web.methods import GET_OR_POST

LISTED = 50
_AT_WORK = (JobState.WAITING, JobState.RUNNING)


@may("job.see")
@require_GET
def job_list(request: StaffRequest) -> HttpResponse:
    """What the person asking has asked for, newest first."""
    newest = list(access.jobs(request).order_by("-pk")[: LISTED + 1])
    context = {
        "jobs": [row for row in newest[:LISTED] if access.can(request, row.permission)],
        "listed": LISTED if len(newest) > LISTED else 0,
        "today": clock.today(request.zone),
    }
    return render(request, "jobs/list.html", context)


@may("job.see")
@require_GET
def job(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """One job: its progress, and what came of it."""
    found = access.job_or_404(request, public_id)
    is_at_work = found.state in _AT_WORK
    if request.headers.get("HX-Request") and not is_at_work:
        return HttpResponseClientRefresh()
    context = {
        "job": found,
        "is_at_work": is_at_work,
        "done": found.progress.get("done", 0),
        "of": found.progress.get("of", 0),
        "kept_days": job_services.KEPT.days,
        "today": clock.today(request.zone),
    }
    page = "jobs/_progress.html" if request.headers.get("HX-Request") else "jobs/job.html"
    return render(request, page, context)


@may("job.see")
@require_GET
def job_file(request: StaffRequest, public_id: UUID) -> StreamingHttpResponse:
    """The file of a job, sent as it is read."""
    found = access.job_or_404(request, public_id)
    if found.file_size is None:
        raise Http404
    response = StreamingHttpResponse(job_services.pieces(found), content_type=found.file_type)
    response["Content-Length"] = str(found.file_size)
    return as_file(response, found.file_name)


@may("job.see")
@GET_OR_POST
def job_again(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Go on with a job that stopped."""
    found = access.job_or_404(request, public_id)
    if request.method == "POST":
        try:
            job_services.try_again(found)
        except Refused as refusal:
            messages.error(request, refusal.message)
        return redirect("job", found.public_id)
    return ask(
        request, None, title="Try this job again", action="Try again",
        text=f"“{found.title}” goes on from where it stopped.", **_back(found),
    )  # fmt: skip


@may("job.see")
@GET_OR_POST
def job_drop(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Stop a job, or remove its file."""
    found = access.job_or_404(request, public_id)
    if request.method == "POST":
        job_services.drop(found, now=clock.now())
        return redirect("job", found.public_id)
    if found.file_size is not None:
        title, action = "Remove the file of this job", "Remove the file"
        text = f"The file of “{found.title}” is removed here. Copies you saved stay."
    else:
        title, action = "Stop this job", "Stop the job"
        goes = "stops at its next step" if found.state in _AT_WORK else "is not tried again"
        text = f"“{found.title}” {goes}; it leaves no file."
    return ask(request, None, title=title, action=action, text=text, **_back(found))


def _back(found: Job) -> Back:
    """Where the forms about a job lead back to."""
    return {"back_url": reverse("job", args=[found.public_id]), "back_label": found.title}
