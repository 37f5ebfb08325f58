"""What a patient tells the clinic on the own page. Each is a form, a POST, and a page that says what follows
and can undo it.
"""

from collections.abc import Callable, Mapping
from http import HTTPStatus
from typing import Any, TypeVar
from uuid import UUID

from django import forms
from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET, require_POST

from resupply import clock
from resupply.models import Event, EventType, PatientReport, Told
from resupply.queries import own_page as own
from resupply.rules.kinds import Kind
from resupply.rules.magnets import distance_cm, distance_inches, notices
from resupply.rules.patient_page import WEEKDAYS, said_hour, words
from resupply.services import own_page
from resupply.services.errors import Refused
from resupply.web.methods import GET_HEAD_OR_POST, posted
from resupply.web.patient.doors import PatientRequest, door, frame, to
from resupply.web.patient.forms import DaysForm, ImplantForm, NoteForm, OwnForm, PartForm
from resupply.web.patient_page import parts_said

REPORTS = {"leak": Told.LEAK, "sore": Told.SORE, "ill": Told.ILL}
Write = Callable[[], HttpResponse]
M = TypeVar("M", PatientReport, Event)
F = TypeVar("F", bound=OwnForm)


@door
@GET_HEAD_OR_POST
def report(request: PatientRequest, what: str) -> HttpResponse:
    """Tell of a leak, a sore spot, or an illness (which asks for no note)."""
    form = _form(request, OwnForm) if what == "ill" else _form(request, NoteForm, label="note")

    def write() -> HttpResponse:
        note = form.cleaned_data.get("note", "")
        made = own_page.report(request.patient, told=REPORTS[what], note=note, now=clock.now())
        return to(request, "told", made.public_id)

    return _ask(request, form, write, title=what, about=f"{what}_about", do=_do(what))


@door
@GET_HEAD_OR_POST
def pause(request: PatientRequest) -> HttpResponse:
    """The equipment is not in use."""
    form = _form(request, NoteForm, label="why")

    def write() -> HttpResponse:
        made = own_page.stop_using(request.patient, why=form.cleaned_data["note"], now=clock.now())
        return to(request, "told", made.public_id)

    return _ask(request, form, write, title="stop_using", about="stop_about", do="stop_do")


@door
@GET_HEAD_OR_POST
def again(request: PatientRequest) -> HttpResponse:
    """The equipment is in use again; the answer can be undone as well."""
    form = _form(request, OwnForm)

    def write() -> HttpResponse:
        own_page.use_again(request.patient, now=clock.now())
        return _done(request, "again_done", undo="again")

    return _ask(request, form, write, title="again", about="again_about", do="again")


@door
@GET_HEAD_OR_POST
def changed(request: PatientRequest) -> HttpResponse:
    """A part was changed today."""
    held = [line.kind for line in own.lines(request.patient)]
    form = _form(request, PartForm, kinds=held)

    def write() -> HttpResponse:
        kind = form.cleaned_data["kind"]
        swap, kept = own_page.changed(request.patient, kind=kind, now=clock.now())
        if kept:
            return to(request, "told", kept.public_id)
        return to(request, "changed_done", swap.public_id)

    return _ask(request, form, write, title="changed", about="", do="changed_do")


@door
@GET_HEAD_OR_POST
def implant(request: PatientRequest) -> HttpResponse:
    """An implant or object, of the patient or of someone close. Magnets stop at once; there is no undo."""
    form = _form(request, ImplantForm)
    said = words(request.language)

    def write() -> HttpResponse:
        own_page.report_implant(
            request.patient,
            person=form.cleaned_data["person"],
            code=form.cleaned_data["implant"],
            now=clock.now(),
        )
        return to(request, "implant_done")

    return _ask(
        request, form, write, title="implant", about="implant_about", do="implant_do",
        after=said["implant_call"].format(cm=distance_cm(), inches=distance_inches()),
    )  # fmt: skip


@door
@require_GET
def implant_done(request: PatientRequest) -> HttpResponse:
    """What follows: a call, and the regulators' caution."""
    said = words(request.language)
    sources = ", ".join(dict.fromkeys(notice.who for notice in notices().values()))
    more = [
        said["implant_call"].format(cm=distance_cm(), inches=distance_inches()),
        said["implant_ill"],
        said["implant_sources"].format(sources=sources),
        said["implant_mistake"],
    ]
    return _done(request, "implant_done", more=more, is_urgent=True)


@door
@GET_HEAD_OR_POST
def days(request: PatientRequest) -> HttpResponse:
    """Days and hour of cleaning; the page that follows offers those before."""
    person, said = request.patient, words(request.language)
    hour = "" if person.cleaning_hour is None else person.cleaning_hour
    before = {"weekday": person.cleaning_weekday, "month_day": person.cleaning_month_day, "hour": hour}
    form = _form(request, DaysForm, initial=before)

    def write() -> HttpResponse:
        chosen = form.cleaned_data
        own_page.set_cleaning_days(person, **chosen, now=clock.now())
        weekday = WEEKDAYS[request.language][chosen["weekday"]]
        text = said["saved"].format(weekday=weekday, day=chosen["month_day"])
        at = chosen["hour"]
        more = [] if at is None else [said["saved_hour"].format(hour=said_hour(at, request.language))]
        return _done(request, text=text, more=more, undo="days", values=before)

    return _ask(request, form, write, title="days", about="days_about", do="save_days")


@door
@require_GET
def told(request: PatientRequest, public_id: UUID) -> HttpResponse:
    """What was told, what follows, and the way back."""
    row = PatientReport.objects.filter(patient=request.patient, public_id=public_id).first()
    if row is None or row.is_voided:
        return to(request, "page")
    key = {
        Told.ILL: "ill_done", Told.UNUSED: "stop_done", Told.CHANGED: "changed_kept",
    }.get(Told(row.told), "report_done")  # fmt: skip
    parts = parts_said([Kind(row.kind)], request.language) if row.kind else ""
    text = words(request.language)[key].format(parts=parts)
    return _done(request, text=text, undo="report", values={"record": row.public_id})


@door
@require_GET
def changed_done(request: PatientRequest, public_id: UUID) -> HttpResponse:
    """A part change that counts, and the way back."""
    row = Event.objects.filter(
        patient=request.patient, public_id=public_id, event=EventType.SWAP, by_patient=True, voided_at=None
    ).first()
    if row is None:
        return to(request, "page")
    text = words(request.language)["changed_done"].format(
        parts=parts_said([Kind(row.kind)], request.language)
    )
    return _done(request, text=text, undo="change", values={"record": row.public_id})


@door
@require_POST
def undo(request: PatientRequest, what: str) -> HttpResponse:
    """Take back what was just told; where that is too late, say so."""
    try:
        _undo(request, what)
    except (Refused, ValueError):
        return _done(request, "cannot_undo", status=HTTPStatus.CONFLICT)
    return _done(request, "undone")


def _undo(request: PatientRequest, what: str) -> None:
    person, now = request.patient, clock.now()
    if what == "again":
        own_page.pause_again(person, now=now)
    elif what == "days":
        weekday, month_day = (int(request.POST.get(name, "")) for name in ("weekday", "month_day"))
        hour = int(request.POST["hour"]) if request.POST.get("hour") else None
        own_page.set_cleaning_days(person, weekday=weekday, month_day=month_day, hour=hour, now=now)
    else:
        record = UUID(request.POST.get("record", ""))
        if what == "report":
            own_page.undo_report(_one(PatientReport, request, record), now=now)
        else:
            own_page.undo_change(_one(Event, request, record), now=now)


def _one(model: type[M], request: PatientRequest, record: UUID) -> M:
    """A record of this patient's. Raises ValueError: no such one."""
    row = model.objects.filter(patient=request.patient, public_id=record).first()
    if row is None:
        raise ValueError("no such record")
    return row


def _form(request: PatientRequest, form: type[F], **over: Any) -> F:
    data = posted(request)
    return form(data, language=request.language, **over)


def _do(what: str) -> str:
    return "ill_do" if what == "ill" else "report_do"


def _ask(
    request: PatientRequest,
    form: forms.Form,
    write: Write,
    *,
    title: str,
    about: str,
    do: str,
    after: str = "",
) -> HttpResponse:
    """The form; sent and written, the page that follows. A refusal says what to do, and changes nothing."""
    said, refusal = words(request.language), ""
    if request.method == "POST" and form.is_valid():
        try:
            return write()
        except Refused as refused:
            refusal = said["already" if refused.code in {"already", "not_open"} else "refused"]
    context = frame(request) | {
        "form": form,
        "title": said[title],
        "about": said[about] if about else "",
        "after": after,
        "do": said[do],
        "refusal": refusal,
    }
    status = HTTPStatus.UNPROCESSABLE_ENTITY if form.errors or refusal else HTTPStatus.OK
    return render(request, "patient/ask.html", context, status=status)


def _done(
    request: PatientRequest,
    key: str = "",
    *,
    text: str = "",
    more: list[str] | None = None,
    undo: str = "",
    values: Mapping[str, object] | None = None,
    is_urgent: bool = False,
    status: int = HTTPStatus.OK,
) -> HttpResponse:
    """What has happened and what follows; with `undo`, a button that takes it back (`values`: its fields)."""
    said = words(request.language)
    context = frame(request) | {
        "text": text or said[key],
        "more": more or [],
        "undo": undo,
        "values": values or {},
        "is_urgent": is_urgent,
    }
    return render(request, "patient/done.html", context, status=status)
