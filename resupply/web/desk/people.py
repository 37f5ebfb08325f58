"""New patients and corrections: details, status, who pays, consent."""

from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from resupply import clock
from resupply.models import Channel, Patient
from resupply.queries import patients as patient_queries
from resupply.services import people
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.act import act
from resupply.web.desk.forms import ConsentForm, CoverageForm, NewPatientForm, PatientForm, StatusForm
from resupply.web.forms import written
from resupply.web.methods import GET_OR_POST, posted
from resupply.web.no_location import NoLocationError, needs_location
from resupply.web.wording import PURPOSE_WORDS


@may("patient.edit")
@GET_OR_POST
@needs_location
def new(request: StaffRequest) -> HttpResponse:
    """Add a patient."""
    locations = access.open_locations(request)
    first = locations.first()
    if first is None:
        raise NoLocationError
    initial = {"location": first, "time_zone": first.time_zone}
    form = NewPatientForm(
        posted(request),
        locations=locations,
        initial=initial | {"cleaning_weekday": 6, "cleaning_month_day": 1},
    )

    def write() -> Patient:
        return people.create_patient(
            form.details(), payer=form.cleaned_data["payer"], by=request.staff.user, now=clock.now()
        )

    if request.method == "POST" and (person := written(form, write)):
        messages.success(request, "Patient added. Next: the first dispense, and an answer about messages.")
        return redirect("desk:patient", person.public_id)
    context = {"form": form, "today": clock.today(request.zone), "back_url": reverse("desk:find")}
    return render(request, "desk/patient_new.html", context, status=422 if form.errors else 200)


@may("patient.edit")
@GET_OR_POST
def edit(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Correct a patient's details."""
    person = access.patient_or_404(request, public_id)
    form = PatientForm(
        posted(request),
        locations=access.locations_for(request, person),
        initial=PatientForm.initial_of(person),
    )

    def write() -> str:
        people.update_patient(person, form.details(), now=clock.now())
        return "Details saved."

    return act(
        request, form, write, person=person, title="Correct details", action="Save the details",
        text="The date of birth and the time zone bear on what is due, and when.",
    )  # fmt: skip


@may("patient.edit")
@GET_OR_POST
def status(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Put a patient on therapy, or off it."""
    person = access.patient_or_404(request, public_id)
    form = StatusForm(posted(request), initial={"status": person.status})

    def write() -> str:
        people.change_status(person, form.cleaned_data["status"], now=clock.now())
        return f"Status: {person.get_status_display().lower()}."

    return act(
        request, form, write, person=person, title="Change the status", action="Save the status",
        text="Off therapy, a patient is on no list and gets no reminder. The records stay.",
    )  # fmt: skip


@may("patient.edit")
@GET_OR_POST
def coverage(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Say who pays from a day on."""
    person = access.patient_or_404(request, public_id)
    today = clock.today(person.time_zone)
    current = patient_queries.coverage_on(patient_queries.coverages(person), today)
    form = CoverageForm(
        posted(request), initial={"payer": current.payer if current else None, "starts_on": today}
    )

    def write() -> str:
        payer, starts_on = form.cleaned_data["payer"], form.cleaned_data["starts_on"]
        people.set_coverage(person, payer, starts_on=starts_on, by=request.staff.user, now=clock.now())
        return f"From that day on {payer.name if payer else 'the patient'} pays."

    return act(
        request, form, write, person=person, title="Change who pays", action="Save the payer",
        text="What was billed to an earlier payer does not count with the next one.",
    )  # fmt: skip


@may("patient.edit")
@GET_OR_POST
def consent(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Record a patient's yes or no to messages."""
    person = access.patient_or_404(request, public_id)
    today = clock.today(person.time_zone)
    form = ConsentForm(posted(request), initial={"given_on": today, "channel": "mail"})

    def write() -> str:
        data = form.cleaned_data
        record = people.give_consent if data["granted"] else people.withdraw_consent
        record(
            person,
            data["channel"],
            given_on=data["given_on"],
            how=data["how"],
            purpose=data["purpose"],
            on_paper=data["on_paper"],
            by=request.staff.user,
            now=clock.now(),
        )
        way = Channel(data["channel"])
        what = "calls" if way == Channel.PHONE else f"messages by {way.label.lower()}"
        what += f" about {PURPOSE_WORDS[data['purpose']].lower()}" if data["purpose"] else ""
        return f"Answer recorded: {what} are welcome." if data["granted"] else f"Answer recorded: no {what}."

    return act(
        request, form, write, person=person, title="Record an answer about messages",
        action="Record the answer",
        text="Without a recorded yes nothing is sent. The newest answer counts.",
    )  # fmt: skip
