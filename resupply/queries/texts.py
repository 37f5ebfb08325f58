"""The texts for patients that a qualified reader approves, language by language, as they stand.

Each is a list of sentences, English beside Spanish. An approval names the wording by its digest, so that it
counts for exactly that.
"""

from collections.abc import Callable
from dataclasses import dataclass

from resupply.models import TextReview
from resupply.queries import care_sheets
from resupply.rules import cleaning, magnets, patient_help, patient_page
from resupply.rules.patient_page import LANGUAGES

CARE_SHEET, PATIENT_PAGE = care_sheets.TEXT, "patient_page"
Pairs = list[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class Wording:
    """A text: its name in a sentence, and its sentences."""

    name: str
    pairs: Callable[[], Pairs]


def page_pairs() -> Pairs:
    """Every sentence the patient's own page and its help may hold, English and Spanish, each pair once."""
    english, spanish = (patient_page.words(language) for language in LANGUAGES)
    said = [(english[key], spanish[key]) for key in english]
    said += [(one.plain["en"], one.plain["es"]) for one in magnets.implants().values() if not one.exempt]
    tasks = [*cleaning.cleaning_tasks().values(), cleaning.first_use_wash()]
    texts = [text for task in tasks for text in (task.title, task.how)]
    texts += [caution.text for caution in cleaning.cautions()]
    said += [(text["en"], text["es"]) for text in texts]
    return list(dict.fromkeys([*said, *patient_help.pairs()]))


TEXTS = {
    CARE_SHEET: Wording("the care sheet", care_sheets.pairs),
    PATIENT_PAGE: Wording("the patient’s own page", page_pairs),
}


def digest(text: str, language: str) -> str:
    """SHA-256 of every sentence of a text in a language, as hex. KeyError: unknown text."""
    return care_sheets.digest(language, TEXTS[text].pairs())


def is_reviewed(text: str, language: str) -> bool:
    """Whether a qualified reader signed off the wording as it stands; English needs no sign-off."""
    if language in care_sheets.REVIEWED_BY_SHIPPING:
        return True
    standing = TextReview.objects.filter(text=text, language=language, voided_at=None)
    return standing.filter(digest=digest(text, language)).exists()


def reviews(text: str) -> list[TextReview]:
    """Every approval on record, newest first, voided ones too."""
    rows = TextReview.objects.filter(text=text).select_related("recorded_by", "voided_by")
    return list(rows.order_by("-reviewed_on", "-pk"))
