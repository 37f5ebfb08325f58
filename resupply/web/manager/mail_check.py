"""How mail leaves the building, and a test message through the way that every other one takes."""

from django import forms
from django.contrib.auth.models import AbstractUser
from django.http import HttpResponse
from django.shortcuts import redirect, render

from resupply import clock
from resupply.delivery.mail_check import mail_settings, send_message
from resupply.models import MailTest
from resupply.queries import first_steps as queries
from resupply.rules.sending import Outcome
from resupply.services import first_steps as service
from resupply.web.access import StaffRequest, may
from resupply.web.manager.mail_words import LINES, told
from resupply.web.methods import GET_OR_POST, posted

SHOWN = 10
"""Tests that the page lists."""


class MailTestForm(forms.Form):
    """Where a test message goes."""

    address = forms.EmailField(
        label="Send it to",
        max_length=254,
        help_text="Your own address, or one whose mailbox you can look into. It is not kept.",
        widget=forms.EmailInput({"autocomplete": "email"}),
    )


@may("mail.check")
@GET_OR_POST
def mail(request: StaffRequest) -> HttpResponse:
    """The settings without the password, the last tests, and another one."""
    own = request.user.email if isinstance(request.user, AbstractUser) else ""
    form = MailTestForm(posted(request), initial={"address": own})
    if request.method == "POST" and form.is_valid():
        mail_now = mail_settings()
        answer = send_message(form.cleaned_data["address"])
        service.record_mail_test(
            answer, server=mail_now.server, sender=mail_now.sender, by=request.staff.user, now=clock.now()
        )
        return redirect("manager:mail")
    return _page(request, form)


def _page(request: StaffRequest, form: MailTestForm) -> HttpResponse:
    mail_now = mail_settings()
    tests = list(queries.mail_tests()[:SHOWN])
    accepted = queries.mail_tests().filter(outcome=Outcome.ACCEPTED.value)
    newest = tests[0] if tests else None
    context = {
        "today": clock.today(request.zone),
        "form": form,
        "mail": mail_now,
        "line": LINES[mail_now.line],
        "newest": newest,
        "told": told(newest.outcome, newest.detail, mail_now) if newest else None,
        "is_of_now": bool(newest) and _is_of_now(newest, mail_now.server, mail_now.sender),
        "succeeded": accepted.first(),
        "tests": tests,
    }
    return render(request, "manager/mail.html", context, status=422 if form.errors else 200)


def _is_of_now(test: MailTest | None, server: str, sender: str) -> bool:
    """Whether a test was made with the settings of now."""
    return test is not None and (test.server, test.sender) == (server, sender)
