"""Magnets first: asking about implants and objects, and what follows from the answers.

Everyone who cares for patients asks and sees the stop. Which implant or object was named, and whose it is,
is shown to those with `magnets.details` alone.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.models import MagnetScreen
from resupply.queries import screening as screens_of
from resupply.rules.magnets import Person, Reason, Said, distance_cm, implants, notices, standing, verdict
from resupply.services import screening
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.act import take_back
from resupply.web.forms import written
from resupply.web.methods import GET_OR_POST, posted
from resupply.web.therapist.forms import PERSON_WORDS, ScreenForm
from resupply.web.wording import day_words

CAUTION = {"notices": list(notices().values()), "distance_cm": distance_cm()}


@dataclass(frozen=True, slots=True)
class Record:
    """A screen in the list of answers. `said` is empty for those who see the stop alone."""

    screen: MagnetScreen
    said: list[tuple[str, str, list[str]]]
    """Person, answer, names of the lines answered with yes or not known."""


@may("magnets.screen")
@require_GET
def magnets(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Whether magnetic parts are stopped for a patient, which of them the patient holds, what was asked."""
    person = access.patient_or_404(request, public_id)
    today = clock.today(person.time_zone)
    rows = screens_of.screens(person)
    counting = [row for row in reversed(rows) if not row.is_voided]
    stop = verdict(standing(map(screens_of.to_facts, counting)), as_of=today)
    sees_details = access.can(request, "magnets.details")
    held = screens_of.held_parts([person.pk], today=today)[person.pk] if stop.blocked else []
    context = {
        "person": person,
        "today": today,
        "stop": stop,
        "newest": counting[-1] if counting else None,
        "held": held,
        "waits_for_call": bool(held) and stop.reason is Reason.YES and screens_of.waits_for_call(person),
        "sees_details": sees_details,
        "named": _in_words(screens_of.named(counting)) if sees_details else [],
        "records": [Record(row, _said(row) if sees_details else []) for row in rows],
        **CAUTION,
    }
    return render(request, "therapist/magnets.html", context)


@may("magnets.screen")
@GET_OR_POST
def screen(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Ask about implants and objects, and record what was said."""
    person = access.patient_or_404(request, public_id)
    today = clock.today(person.time_zone)
    held = verdict(screens_of.newest_screen(person.pk), as_of=today).reason is Reason.YES
    may_clear = access.can(request, "magnets.clear")
    form = ScreenForm(
        posted(request),
        initial={"asked_on": today},
        language=person.language,
        may_clear=held and may_clear,
    )

    def write() -> MagnetScreen:
        return screening.record_screen(
            patient=person,
            asked_on=form.cleaned_data["asked_on"],
            wearer=form.answers(Person.WEARER),
            close_contact=form.answers(Person.CLOSE_CONTACT),
            cleared_reason=form.cleaned_data.get("cleared_reason", ""),
            by=request.staff.user,
            now=clock.now(),
        )

    if request.method == "POST" and (made := written(form, write)):
        messages.success(request, f"Answers of {day_words(made.asked_on, today=today)} recorded.")
        return redirect("therapist:magnets", person.public_id)
    context = {
        "person": person,
        "today": today,
        "form": form,
        "yes_holds": held,
        "may_clear": may_clear,
        **CAUTION,
    }
    return render(request, "therapist/screen.html", context, status=422 if form.errors else 200)


@may("magnets.screen")
@GET_OR_POST
def screen_void(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Take a screen back with a reason: it was another patient's, or entered wrongly."""
    row = access.screen_or_404(request, public_id)
    person = row.patient
    name = f"answers of {day_words(row.asked_on, today=clock.today(person.time_zone))}"

    return take_back(
        request, partial(screening.void_screen, row), done=f"Voided: {name}.",
        person=person, title=f"Void the {name}", action="Void the answers",
        text="For answers that were another patient's or were entered wrongly. The answers before them count "
        "again; the record stays, struck through, with your reason.",
        back_url=reverse("therapist:magnets", args=[person.public_id]),
    )  # fmt: skip


def _in_words(named: Mapping[Person, Sequence[str]]) -> list[tuple[str, list[str]]]:
    """Persons with a yes that holds, and what was named."""
    return [(PERSON_WORDS[person], _names(codes)) for person, codes in named.items() if codes]


def _said(row: MagnetScreen) -> list[tuple[str, str, list[str]]]:
    """What a screen recorded of each person."""
    found = []
    for person, words in PERSON_WORDS.items():
        answers, kept = row.details.get(person, {}), row.details.get("kept", {}).get(person, [])
        said = Said(getattr(row, person))
        codes = [code for code in implants() if answers.get(code) == said or (code in kept and said == "yes")]
        found.append((words, said.value, [] if said is Said.NO else _names(codes)))
    return found


def _names(codes: Sequence[str]) -> list[str]:
    return [implants()[code].name for code in codes if code in implants()]
