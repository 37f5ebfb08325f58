"""A qualified reader's approval of a text in a language, as it stood then."""

from datetime import date, datetime

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.models import TextReview
from resupply.queries.texts import CARE_SHEET, TEXTS, digest
from resupply.rules.patient_page import LANGUAGES
from resupply.services.errors import Refused
from resupply.services.records import said, stamp, take_back


def record_review(
    *,
    language: str,
    digest_read: str,
    reviewer: str,
    qualification: str,
    reviewed_on: date,
    by: AbstractBaseUser | None,
    today: date,
    now: datetime,
    text: str = CARE_SHEET,
) -> TextReview:
    """Record that a reader approved a text's wording (`queries.texts`), named by its digest; `today` is the
    clinic's.

    Raises Refused: `text`, `language`, `changed` (the wording is another by now), `reviewer`,
    `qualification`, `future`.
    """
    if text not in TEXTS:
        raise Refused("text", "Choose one of the texts offered.")
    if language not in LANGUAGES:
        raise Refused("language", "Choose one of the languages offered.", "language")
    if digest_read != digest(text, language):
        raise Refused("changed", "The wording has changed since it was shown. Read it again.")
    if not reviewer.strip():
        raise Refused("reviewer", "Name the reader.", "reviewer")
    if not qualification.strip():
        raise Refused("qualification", "Say what qualifies the reader.", "qualification")
    if reviewed_on > today:
        raise Refused("future", f"{said(reviewed_on)} has not come yet.", "reviewed_on")
    return TextReview.objects.create(
        text=text,
        language=language,
        digest=digest_read,
        reviewer=reviewer.strip(),
        qualification=qualification.strip(),
        reviewed_on=reviewed_on,
        **stamp(by, now),
    )


def void_review(review: TextReview, *, reason: str, by: AbstractBaseUser | None, now: datetime) -> TextReview:
    """Take an approval back. Raises Refused `reason_missing`, `reason_long`, `already_void`."""
    with transaction.atomic():
        take_back(review, reason=reason, by=by, now=now)
    return review
