"""The small form of all rooms (`act.html`): it asks for one thing, or a decision; done, it says so."""

from collections.abc import Callable
from datetime import date
from typing import TypedDict

from django import forms
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from resupply import clock
from resupply.models import Patient
from resupply.web.access import StaffRequest
from resupply.web.forms import written


class Back(TypedDict):
    """Where a page leads back to, and what that is called."""

    back_url: str
    back_label: str


def confirmed(request: StaffRequest) -> forms.Form:
    """A form with nothing to type: a decision, made once it is sent."""
    return forms.Form(request.POST if request.method == "POST" else None)


def act(
    request: StaffRequest,
    form: forms.BaseForm,
    write: Callable[[], str],
    *,
    title: str,
    text: str,
    action: str,
    back_url: str = "",
    done_url: str = "",
    undo_url: str = "",
    person: Patient | None = None,
    back_label: str = "",
    today: date | None = None,
    danger: bool = False,
) -> HttpResponse:
    """Ask; sent and written, what `write` says is said at `done_url`, or where the page leads back to.

    With `undo_url`, what is said there offers a button that undoes it.
    """
    if request.method == "POST" and (done := written(form, write)):
        messages.success(request, done, extra_tags=undo_url)
        return redirect(done_url or _back(back_url, person))
    return ask(
        request, form, title=title, text=text, action=action, back_url=back_url, person=person,
        back_label=back_label, today=today, danger=danger,
    )  # fmt: skip


def ask(
    request: StaffRequest,
    form: forms.BaseForm | None,
    *,
    title: str,
    text: str,
    action: str,
    back_url: str = "",
    person: Patient | None = None,
    back_label: str = "",
    today: date | None = None,
    danger: bool = False,
) -> HttpResponse:
    """The page alone: as it opens, or with what has to be mended (422).

    About a `person`, it leads back to their page where `back_url` names no other, and `today` is theirs; else
    `back_label` is what the way back is called, and today that of who asks.
    """
    context = {
        "form": form,
        "title": title,
        "text": text,
        "action": action,
        "back_url": _back(back_url, person),
        "person": person,
        "back_label": back_label,
        "today": today or clock.today(person.time_zone if person else request.zone),
        "danger": danger,
    }
    return render(request, "act.html", context, status=422 if form is not None and form.errors else 200)


def _back(back_url: str, person: Patient | None) -> str:
    return back_url or (reverse("desk:patient", args=[person.public_id]) if person else "")
