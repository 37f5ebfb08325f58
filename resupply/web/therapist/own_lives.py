"""How long parts last a patient: the clinic's policy, and the patient's own lives that a therapist sets."""

from functools import partial
from typing import Any
from uuid import UUID

from django import forms
from django.http import HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.models import Patient
from resupply.queries import own_lives as lives_of
from resupply.rules.periods import Period, Unit
from resupply.services import own_lives as service
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.act import act, take_back
from resupply.web.forms import UNIT_CHOICES, code_choices, day_field
from resupply.web.methods import GET_OR_POST, posted
from resupply.web.wording import day_words, part_word, period_words


class OwnLifeForm(forms.Form):
    """The life of one part for one patient from a day on; left empty, the clinic's policy counts again."""

    part_code = forms.ChoiceField(label="Part", choices=partial(code_choices, "Choose the part"))
    period_count = forms.IntegerField(
        label="Worn after",
        required=False,
        min_value=1,
        max_value=3660,
        help_text="Leave it empty to go back to the clinic’s policy.",
    )
    period_unit = forms.ChoiceField(label="Counted in", choices=UNIT_CHOICES, initial="month")
    effective_from = day_field("From", help_text="What was worn before that day stays worn.")
    reason = forms.CharField(
        label="Why",
        max_length=300,
        widget=forms.Textarea({"rows": 2}),
        help_text="What you found, or who asked for it. It stays on record with your name.",
    )

    def life(self) -> Period | None:
        """Once validated."""
        count, unit = self.cleaned_data["period_count"], self.cleaned_data["period_unit"]
        return Period(count, Unit(unit)) if count else None


@may("life.see")
@require_GET
def own_lives(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """How long each part lasts this patient, and every version of the patient's own lives."""
    person = access.patient_or_404(request, public_id)
    today = clock.today(person.time_zone)
    context = {
        "person": person,
        "today": today,
        "parts": lives_of.part_lives(person, today=today),
        "versions": lives_of.versions_of(person),
        "may_set": access.can(request, "life.set"),
    }
    return render(request, "therapist/own_lives.html", context)


@may("life.set")
@GET_OR_POST
def own_life_new(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Set how long a part lasts this patient from a day on, or go back to the policy."""
    person = access.patient_or_404(request, public_id)
    today = clock.today(person.time_zone)
    first = {"effective_from": today, "part_code": request.GET.get("part", "")}
    form = OwnLifeForm(posted(request), initial=first)

    def write() -> str:
        data, life = form.cleaned_data, form.life()
        service.set_own_life(
            person,
            data["part_code"],
            life,
            effective_from=data["effective_from"],
            reason=data["reason"],
            by=request.staff.user,
            now=clock.now(),
        )
        part, day = part_word(data["part_code"]), day_words(data["effective_from"], today=today)
        if life is None:
            return f"{part}: the clinic’s policy counts again from {day}."
        return f"{part}: worn after {period_words(life.count, life.unit)} from {day}, for this patient."

    return act(
        request, form, write, person=person, title="Set how long a part lasts", action="Set for this patient",
        text="For a patient whose parts wear sooner than usual, or last longer. Dates, reminders and the "
        "refill follow. It changes no payer’s allowance. Not longer than the part’s own instructions allow; "
        "where the prescriber said otherwise, the prescriber’s word counts.",
        **_back(person),
    )  # fmt: skip


@may("life.set")
@GET_OR_POST
def own_life_void(request: StaffRequest, public_id: UUID, pk: int) -> HttpResponse:
    """Take a version back with a reason."""
    person = access.patient_or_404(request, public_id)
    version = access.own_life_or_404(person, pk)
    day = day_words(version.effective_from, today=clock.today(person.time_zone))
    name = f"{part_word(version.part_code)} from {day}"

    return take_back(
        request, partial(service.void_own_life, version), done=f"Voided: {name}.",
        person=person, title=f"Void: {name}", action="Void the record",
        text="What counted before it counts again. The record stays, struck through, with your reason.",
        **_back(person),
    )  # fmt: skip


def _back(person: Patient) -> dict[str, Any]:
    return {"back_url": reverse("therapist:own_lives", args=[person.public_id])}
