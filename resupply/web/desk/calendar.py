"""A patient's calendar addresses, at the desk: give one out, change what it shows, renew it, revoke it."""

from dataclasses import asdict
from typing import Any
from uuid import UUID

from django import forms
from django.http import HttpResponse
from django.shortcuts import render
from django.urls import reverse

from resupply import clock
from resupply.delivery import addresses
from resupply.models import Patient, Subscription
from resupply.queries import feeds as feed_queries
from resupply.rules.zones import zone_named
from resupply.services import feeds
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.act import act, ask, confirmed
from resupply.web.forms import written
from resupply.web.methods import GET_HEAD_OR_POST, posted
from resupply.web.qr import qr_svg
from resupply.web.wording import day_words


class CalendarForm(forms.Form):
    """What a calendar shows; `options()` is what the service takes."""

    with_changes = forms.BooleanField(
        label="Days to change a part, and days on which a new one is needed", required=False, initial=True
    )
    with_refills = forms.BooleanField(
        label="Days from which to think about new parts", required=False, initial=True
    )
    with_daily = forms.BooleanField(label="Daily cleaning", required=False, initial=True)
    with_weekly = forms.BooleanField(label="Weekly cleaning", required=False, initial=True)
    with_monthly = forms.BooleanField(label="Monthly cleaning", required=False, initial=True)
    wording = forms.ChoiceField(
        label="Words",
        choices=[
            ("neutral", "Neutral: names no part, illness or kind of clinic"),
            ("detailed", "Detailed: names parts and how to clean them, if the patient asks for it"),
        ],
        widget=forms.RadioSelect,
        initial="neutral",
    )
    alarm_hour = forms.TypedChoiceField(
        label="Alarm",
        choices=[("", "No alarm"), *((str(hour), f"At {hour:02}:00") for hour in range(24))],
        coerce=int,
        empty_value=None,
        required=False,
        help_text="A courtesy: many calendar programs ignore it. Cleaning rings at the patient’s own hour, "
        "where one is chosen.",
    )
    label = forms.CharField(
        label="Label for staff",
        max_length=60,
        required=False,
        help_text="For example: tablet, daughter. It is not in the calendar.",
    )

    @staticmethod
    def first(calendar: Subscription) -> dict[str, object]:
        """What the form opens on where a calendar is changed."""
        chosen: dict[str, object] = asdict(feeds.options_of(calendar))
        wording = "detailed" if chosen.pop("detailed") else "neutral"
        hour = "" if calendar.alarm_hour is None else calendar.alarm_hour
        return chosen | {"wording": wording, "alarm_hour": hour}

    def options(self) -> feeds.Options:
        """The choices made; only for a valid form."""
        chosen = dict(self.cleaned_data)
        return feeds.Options(detailed=chosen.pop("wording") == "detailed", **chosen)


@may("patient.calendar")
@GET_HEAD_OR_POST
def calendar(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """The patient's calendars, and a form for another; the answer shows a new address this once."""
    person = access.patient_or_404(request, public_id)
    form = CalendarForm(posted(request))
    if request.method == "POST":
        issued = written(
            form, lambda: feeds.subscribe(person, form.options(), by=request.staff.user, now=clock.now())
        )
        if issued:
            return _address_page(request, person, issued, "The calendar is ready")
    return render(request, "desk/calendar.html", _page(person) | {"form": form})


@may("patient.calendar")
@GET_HEAD_OR_POST
def change(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """What a calendar shows, at the same address."""
    subscription = access.subscription_or_404(request, public_id)
    first = CalendarForm.first(subscription)
    form = CalendarForm(posted(request), initial=first)

    def write() -> str:
        feeds.change(subscription, form.options(), now=clock.now())
        return f"{_name(subscription)} is changed. Its address stays the same."

    return act(
        request, form, write, person=subscription.patient, title="Change the calendar",
        action="Change the calendar",
        text=f"{_name(subscription)} keeps its address. Calendar programs show the change when they next "
        "look, often within a day. Choose detailed words only if the patient asks for them.",
        back_url=_calendars(subscription.patient),
    )  # fmt: skip


@may("patient.calendar")
@GET_HEAD_OR_POST
def renew(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Another address for a calendar; the old one ends."""
    subscription = access.subscription_or_404(request, public_id)
    form = confirmed(request)
    if request.method == "POST":
        issued = written(form, lambda: feeds.renew(subscription, by=request.staff.user, now=clock.now()))
        if issued:
            return _address_page(request, subscription.patient, issued, "The new address is ready")
    text = (
        f"{_name(subscription)} gets a new address. The old one ends at once and for good: calendar programs "
        "that use it show nothing new."
    )
    return ask(
        request, form, person=subscription.patient, title="Renew the address", action="Renew the address",
        text=text, back_url=_calendars(subscription.patient),
    )  # fmt: skip


@may("patient.calendar")
@GET_HEAD_OR_POST
def revoke(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """The end of a calendar address."""
    subscription = access.subscription_or_404(request, public_id)

    def write() -> str:
        feeds.revoke(subscription, by=request.staff.user, now=clock.now())
        return f"{_name(subscription)} is revoked."

    return act(
        request, confirmed(request), write, person=subscription.patient, title="Revoke the address",
        action="Revoke the address", danger=True,
        text=f"{_name(subscription)} ends at once and for good. What calendar providers have stored already "
        "is theirs to remove: the patient deletes the calendar there.",
        back_url=_calendars(subscription.patient),
    )  # fmt: skip


def _calendars(person: Patient) -> str:
    """Where a patient's calendars are."""
    return reverse("desk:calendar", args=[person.public_id])


def _page(person: Patient) -> dict[str, Any]:
    """What every page about a patient's calendars shows."""
    rows = list(feed_queries.of_patient(person))
    return {
        "person": person,
        "today": clock.today(person.time_zone),
        "live": [row for row in rows if row.revoked_at is None],
        "ended": [row for row in rows if row.revoked_at is not None],
    }


def _address_page(request: StaffRequest, person: Patient, issued: feeds.Issued, title: str) -> HttpResponse:
    """The address in full, this once: no program on the way may keep the page."""
    address = addresses.calendar(issued.token)
    webcal = "webcal:" + address.partition(":")[2]
    context = _page(person) | {
        "title": title,
        "address": address,
        "webcal": webcal,
        "qr": qr_svg(webcal, title="QR code of the calendar address"),
    }
    response = render(request, "desk/calendar_address.html", context)
    response["Cache-Control"] = "no-store"
    return response


def _name(subscription: Subscription) -> str:
    """How staff speak of one of a patient's calendars: by its label, or by the day it was given out."""
    if subscription.label:
        return f"The calendar “{subscription.label}”"
    made_on = subscription.created_at.astimezone(zone_named(subscription.patient.location.time_zone)).date()
    return f"The calendar of {day_words(made_on, today=None)}"
