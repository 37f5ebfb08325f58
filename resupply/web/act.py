"""The small form of all rooms (`act.html`): it asks for one thing, or a decision; done, it says so."""

from collections.abc import Callable
from datetime import date
from typing import Required, TypedDict, Unpack

from django import forms
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from resupply import clock
from resupply.models import Patient
from resupply.web.access import StaffRequest
from resupply.web.forms import VoidForm, written
from resupply.web.methods import posted


class Back(TypedDict):
    """Where a page leads back to, and what that is called."""

    back_url: str
    back_label: str


def confirmed(request: StaffRequest) -> forms.Form:
    """A form with nothing to type: a decision, made once it is sent."""
    return forms.Form(posted(request))


class Page(TypedDict, total=False):
    """What the page says. About a `person`, it leads back to their page where `back_url` names no other, and
    `today` is theirs; else `back_label` is what the way back is called, and today that of who asks.
    """

    title: Required[str]
    text: Required[str]
    action: Required[str]
    back_url: str
    back_label: str
    person: Patient
    today: date
    danger: bool


def act(
    request: StaffRequest,
    form: forms.BaseForm,
    write: Callable[[], str],
    *,
    done_url: str = "",
    undo_url: str = "",
    **page: Unpack[Page],
) -> HttpResponse:
    """Ask; sent and written, what `write` says is said at `done_url`, or where the page leads back to.

    With `undo_url`, what is said there offers a button that undoes it.
    """
    if request.method == "POST" and (done := written(form, write)):
        messages.success(request, done, extra_tags=undo_url)
        return redirect(done_url or _back(page))
    return ask(request, form, **page)


def take_back(
    request: StaffRequest,
    void: Callable[..., object],
    *,
    done: str,
    done_url: str = "",
    **page: Unpack[Page],
) -> HttpResponse:
    """Take a record back with a reason: `void` is a service with the record given, and `done` said then."""
    form = VoidForm(posted(request))

    def write() -> str:
        void(reason=form.cleaned_data["reason"], by=request.staff.user, now=clock.now())
        return done

    page.setdefault("danger", True)
    return act(request, form, write, done_url=done_url, **page)


def ask(request: StaffRequest, form: forms.BaseForm | None, **page: Unpack[Page]) -> HttpResponse:
    """The page alone: as it opens, or with what has to be mended (422)."""
    person = page.get("person")
    context = {
        **page,
        "form": form,
        "back_url": _back(page),
        "today": page.get("today") or clock.today(person.time_zone if person else request.zone),
    }
    return render(request, "act.html", context, status=422 if form is not None and form.errors else 200)


def _back(page: Page) -> str:
    """Where the page leads back to; empty where it says nothing."""
    person = page.get("person")
    return page.get("back_url") or (reverse("desk:patient", args=[person.public_id]) if person else "")
