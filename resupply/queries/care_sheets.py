"""What a care sheet tells one patient: parts, how the mask goes on, cleaning, what to watch, whom to call.

Every sentence comes from the tables of the rules, in the patient's language; `digest` names the wording as it
stands, so that a reader's approval counts for exactly that.
"""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from django.db.models import Q

from resupply.models import Location, Patient, PlanChecklist, TextReview
from resupply.queries.dispenses import latest_lines
from resupply.queries.fittings import style_worn
from resupply.rules import cleaning, fitting
from resupply.rules.cleaning import Frequency
from resupply.rules.kinds import Kind

TEXT = "care_sheet"
LANGUAGES = ("en", "es")
HEADINGS = {
    "en": {
        "title": "Your mask and its care",
        "for": "For {name}",
        "parts": "What you have",
        "steps": "Putting it on",
        Frequency.DAILY: "Every day",
        Frequency.WEEKLY: "Every week",
        Frequency.MONTHLY: "Every month",
        "cautions": "Take care",
        "watch": "Watch for",
        "call": "Questions? Call {place}{phone}.",
        "first": "The leaflet that came with each part comes first. Go on with your therapy as prescribed.",
    },
    "es": {
        "title": "Su mascarilla y su cuidado",
        "for": "Para {name}",
        "parts": "Lo que usted tiene",
        "steps": "Cómo ponérsela",
        Frequency.DAILY: "Cada día",
        Frequency.WEEKLY: "Cada semana",
        Frequency.MONTHLY: "Cada mes",
        "cautions": "Tenga cuidado",
        "watch": "Fíjese en esto",
        "call": "¿Preguntas? Llame a {place}{phone}.",
        "first": "Primero va el folleto de cada parte. Siga con su terapia como se la recetaron.",
    },
}
"""Headings by language; the sentences come from the rules' tables."""

REVIEWED_BY_SHIPPING = frozenset({"en"})
"""Languages whose wording needs no reader's approval."""


@dataclass(frozen=True, slots=True)
class Chores:
    """The tasks of one frequency: what, and how."""

    frequency: Frequency
    tasks: list[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class CareSheet:
    """A care sheet in one language. Without a `style` on record there are no steps."""

    patient: Patient
    language: str
    style: str
    parts: list[tuple[Kind, str]]
    steps: list[str]
    watch: list[str]
    chores: list[Chores]
    cautions: list[str]
    location: Location
    is_reviewed: bool


def care_sheet(patient: Patient, *, language: str, today: date) -> CareSheet:
    """The sheet of a patient as of a day, for the parts in use or spare. KeyError: unknown language."""
    style = style_worn(patient, today=today)
    return CareSheet(
        patient,
        language,
        style,
        _parts(patient),
        [step.text[language] for step in fitting.steps(style)] if style else [],
        [note.text[language] for note in fitting.watch(style)] if style else [],
        _chores(patient, language, today),
        [caution.text[language] for caution in cleaning.cautions()],
        patient.location,
        is_reviewed(language),
    )


def is_reviewed(language: str) -> bool:
    """Whether a qualified reader signed off the wording as it stands."""
    if language in REVIEWED_BY_SHIPPING:
        return True
    standing = TextReview.objects.filter(text=TEXT, language=language, voided_at=None)
    return standing.filter(digest=digest(language)).exists()


def digest(language: str, wording: Sequence[tuple[str, str]] | None = None) -> str:
    """SHA-256 of every sentence in a language, as hex; of the care sheet unless another wording is given."""
    said = [pair[LANGUAGES.index(language)] for pair in (pairs() if wording is None else wording)]
    return hashlib.sha256("\n".join(said).encode()).hexdigest()


def _parts(patient: Patient) -> list[tuple[Kind, str]]:
    """The kinds with a unit in use or spare, the mask first, with the item given last."""
    latest = latest_lines(patient)
    held = {row.kind for row in patient.plan_lines.all() if row.in_use_since or row.spares}
    found = []
    for kind in Kind:
        if kind.value in held:
            line = latest.get(kind.value)
            found.append((kind, str(line.item) if line and line.item else ""))
    return found


def _chores(patient: Patient, language: str, today: date) -> list[Chores]:
    """The checklists of the day, daily first."""
    running = PlanChecklist.objects.filter(
        Q(ends_on=None) | Q(ends_on__gt=today), patient=patient, starts_on__lte=today
    )
    by_frequency = {row.frequency: row.tasks for row in running}
    tasks = cleaning.cleaning_tasks()
    return [
        Chores(
            frequency,
            [(tasks[code].title[language], tasks[code].how[language]) for code in by_frequency[frequency]],
        )
        for frequency in Frequency
        if frequency in by_frequency
    ]


def pairs() -> list[tuple[str, str]]:
    """Every sentence a sheet may hold, English and Spanish, each pair once, in the order of the tables."""
    styles = sorted(fitting.known_styles())
    said = [step.text for style in styles for step in (*fitting.steps(style), *fitting.watch(style))]
    said += [text for task in cleaning.cleaning_tasks().values() for text in (task.title, task.how)]
    said += [caution.text for caution in cleaning.cautions()]
    heads = zip(HEADINGS["en"].values(), HEADINGS["es"].values(), strict=True)
    return list(dict.fromkeys([*heads, *((text["en"], text["es"]) for text in said)]))
