"""The care sheet of a patient, on screen and on paper; and who approved its wording."""

from functools import partial
from uuid import UUID

from django import forms
from django.conf import settings
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.delivery import care_sheets as paper
from resupply.models import Language, TextReview
from resupply.queries import care_sheets as sheets_of
from resupply.queries import texts as texts_of
from resupply.services import text_reviews
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.act import take_back
from resupply.web.files import as_file
from resupply.web.forms import day_field, written
from resupply.web.methods import GET_OR_POST, posted


class ReviewForm(forms.Form):
    """A qualified reader approved the wording as shown."""

    digest = forms.CharField(widget=forms.HiddenInput)
    language = forms.CharField(widget=forms.HiddenInput)
    reviewer = forms.CharField(label="Reader", max_length=120)
    qualification = forms.CharField(
        label="What qualifies the reader",
        max_length=160,
        help_text="For example: certified medical interpreter.",
    )
    reviewed_on = day_field("Read on")


@may("care_sheet.see")
@require_GET
def care_sheet(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """The sheet as a page to read and print, in the patient's language or the other one."""
    person = access.patient_or_404(request, public_id)
    today = clock.today(person.time_zone)
    sheet = sheets_of.care_sheet(person, language=_language(request, person.language), today=today)
    words = paper.words_of(sheet)
    context = {
        "person": person,
        "today": today,
        "sheet": sheet,
        "words": words,
        "parts": paper.part_lines(sheet),
        "chores": [(words[chores.frequency], chores.tasks) for chores in sheet.chores],
        "languages": [(code, Language(code).label, code == sheet.language) for code in sheets_of.LANGUAGES],
        "may_review": access.can(request, "care_text.review"),
    }
    return render(request, "therapist/care_sheet.html", context)


@may("care_sheet.see")
@require_GET
def pdf(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """The sheet as PDF, named by nothing of the patient's."""
    person = access.patient_or_404(request, public_id)
    language = _language(request, person.language)
    sheet = sheets_of.care_sheet(person, language=language, today=clock.today(person.time_zone))
    body = paper.care_sheet_pdf(sheet, clinic_name=settings.CLINIC_NAME)
    response = HttpResponse(body, content_type="application/pdf")
    return as_file(response, f"care-sheet-{language}.pdf", opens=True)


@may("care_text.review")
@GET_OR_POST
def texts(request: StaffRequest) -> HttpResponse:
    """The wording for patients in Spanish beside the English, and its approval by a qualified reader."""
    today = clock.today(request.zone)
    text = _text(request.GET.get("text", ""))
    digest = texts_of.digest(text, "es")
    first = {"digest": digest, "language": "es", "reviewed_on": today}
    form = ReviewForm(posted(request), initial=first)

    def write() -> TextReview:
        data = form.cleaned_data
        return text_reviews.record_review(
            text=text,
            language=data["language"],
            digest_read=data["digest"],
            reviewer=data["reviewer"],
            qualification=data["qualification"],
            reviewed_on=data["reviewed_on"],
            by=request.staff.user,
            today=today,
            now=clock.now(),
        )

    if request.method == "POST" and (made := written(form, write)):
        messages.success(request, f"Approval by {made.reviewer} recorded.")
        return redirect(f"{reverse('therapist:texts')}?text={text}")
    context = {
        "today": today,
        "form": form,
        "name": texts_of.TEXTS[text].name,
        "others": [(key, one.name) for key, one in texts_of.TEXTS.items() if key != text],
        "pairs": texts_of.TEXTS[text].pairs(),
        "is_reviewed": texts_of.is_reviewed(text, "es"),
        "reviews": [(review, review.digest == digest) for review in texts_of.reviews(text)],
    }
    return render(request, "therapist/texts.html", context, status=422 if form.errors else 200)


@may("care_text.review")
@GET_OR_POST
def text_void(request: StaffRequest, pk: int) -> HttpResponse:
    """Take an approval back with a reason."""
    review = access.text_review_or_404(pk)

    return take_back(
        request, partial(text_reviews.void_review, review),
        done=f"Voided: the approval by {review.reviewer}.",
        title=f"Void the approval by {review.reviewer}", action="Void the approval",
        text="Staff see the note “not yet reviewed” again. The record stays, struck through.",
        today=clock.today(request.zone), done_url=f"{reverse('therapist:texts')}?text={review.text}",
        back_url=reverse("therapist:texts"), back_label="Spanish wording",
    )  # fmt: skip


def _text(asked: str) -> str:
    """The text asked for; the care sheet where there is no such one."""
    return asked if asked in texts_of.TEXTS else texts_of.CARE_SHEET


def _language(request: StaffRequest, usual: str) -> str:
    """The language asked for, the patient's where none is, English where that one is not served."""
    wanted = request.GET.get("language", usual)
    return wanted if wanted in sheets_of.LANGUAGES else sheets_of.LANGUAGES[0]
