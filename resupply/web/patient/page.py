"""A patient's own page: today's cleaning and what is coming; first, on a new device, the date of birth."""

from datetime import date
from http import HTTPStatus

from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET, require_POST

from resupply import clock
from resupply.queries import own_page as own
from resupply.queries.own_page import DayState
from resupply.rules.patient_page import LANGUAGES, WEEKDAYS, said_month, words
from resupply.services import doors, own_page
from resupply.services.errors import Refused
from resupply.services.records import local_day
from resupply.web.methods import GET_HEAD_OR_POST, posted
from resupply.web.patient.doors import (
    PatientRequest,
    door,
    frame,
    link_only,
    remember_door,
    remember_language,
    to,
)
from resupply.web.patient.forms import BirthForm
from resupply.web.patient_page import page_context


@link_only
@GET_HEAD_OR_POST
def page(request: PatientRequest) -> HttpResponse:
    """The page; where the device is new, the question for the date of birth and its answer."""
    now = clock.now()
    if not request.is_open:
        return _ask_birth_date(request)
    if request.method == "POST":  # the question answered twice
        return to(request, "page")
    if not request.is_looking:
        doors.note_opening(request.link, now=now)
    context = page_context(request.patient, language=request.language, today=_today(request), now=now)
    return render(request, "patient/page.html", frame(request) | context)


@door
@require_POST
def tick(request: PatientRequest) -> HttpResponse:
    """Tick a task off, or take that back; then the page again, at its list."""
    task = request.POST.get("task", "").replace("\0", "")
    try:
        if request.POST.get("undo"):
            own_page.untick(request.patient, task=task, now=clock.now())
        else:
            own_page.tick(request.patient, task=task, now=clock.now())
    except Refused:
        pass  # the list has changed since it was shown: it is shown anew
    response = to(request, "page")
    response["Location"] += "#cleaning"
    return response


@door
@require_GET
def month(request: PatientRequest) -> HttpResponse:
    """A month of cleaning: done, some, no tick."""
    person, today, language = request.patient, _today(request), request.language
    begun = local_day(request.link.created_at, person.time_zone)
    since = min(begun, own.first_tick(person) or begun)
    first = _month_asked(request, since, today)
    days = own.month(person, own.series(person), first=first, today=today, since=since)
    said = words(language)
    full = sum(state is DayState.ALL for _, state in days)
    earlier, later = _month_before(first), _month_after(first)
    context = frame(request) | {
        "today": today,
        "title": said["month_title"].format(month=said_month(first, language)),
        "says": said["month_says"].format(count=full),
        "weekdays": [(name[:2], name) for name in WEEKDAYS[language]],
        "weeks": _weeks(days, today, language),
        "earlier_asked": f"{earlier:%Y-%m}" if earlier >= since.replace(day=1) else "",
        "later_asked": f"{later:%Y-%m}" if later <= today else "",
    }
    return render(request, "patient/month.html", context)


@door
@require_POST
def language(request: PatientRequest) -> HttpResponse:
    """The other language, on this device."""
    response = to(request, "page")
    chosen = request.POST.get("language", "")
    if chosen in LANGUAGES:
        remember_language(response, request.link, chosen)
    return response


def _ask_birth_date(request: PatientRequest) -> HttpResponse:
    """The question, or what came of its answer."""
    form = BirthForm(posted(request), language=request.language)
    context = {"words": words(request.language), "language": request.language, "form": form}
    if request.method != "POST":
        locked = request.link.locked_until
        if locked is None or locked <= clock.now():
            return render(request, "patient/born.html", context)
        return _locked(request, context)
    form.is_valid()
    tried = doors.try_birth_date(request.link.pk, form.birth_date(), now=clock.now())
    if tried.key:
        response = to(request, "page")
        remember_door(response, request.link, tried.key)
        return response
    if tried.locked_until:
        return _locked(request, context)
    context["is_wrong"] = True
    return render(request, "patient/born.html", context, status=HTTPStatus.UNPROCESSABLE_ENTITY)


def _locked(request: PatientRequest, context: dict[str, object]) -> HttpResponse:
    response = render(request, "patient/locked.html", context, status=HTTPStatus.TOO_MANY_REQUESTS)
    response["Retry-After"] = str(int(doors.LOCKED_FOR.total_seconds()))
    return response


def _today(request: PatientRequest) -> date:
    return clock.today(request.patient.time_zone)


def _month_asked(request: PatientRequest, since: date, today: date) -> date:
    """The first of the month that the address asks for (`?m=2026-03`), between that of `since` and this
    month; else of this month.
    """
    try:
        asked = date.fromisoformat(f"{request.GET.get('m', '')}-01")
    except ValueError:
        asked = today
    return max(min(asked, today), since).replace(day=1)


def _month_before(first: date) -> date:
    return date(first.year - (first.month == 1), (first.month - 2) % 12 + 1, 1)


def _month_after(first: date) -> date:
    return date(first.year + first.month // 12, first.month % 12 + 1, 1)


def _weeks(
    days: list[tuple[date, DayState]], today: date, language: str
) -> list[list[tuple[date, str, str, bool] | None]]:
    """Rows of a table, Monday first: day, state, its words, whether it is today; None: another month."""
    said = words(language)
    cells: list[tuple[date, str, str, bool] | None] = [None] * days[0][0].weekday()
    cells += [(day, state.value, said[f"state_{state.value}"], day == today) for day, state in days]
    cells += [None] * (-len(cells) % 7)
    return [cells[start : start + 7] for start in range(0, len(cells), 7)]
