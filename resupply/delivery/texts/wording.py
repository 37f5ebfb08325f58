"""Text messages in words: who writes, what is needed, how to answer, how to stop; nothing else.

As in mail, no illness, device or kind of clinic, and parts only where the patient chose detail: a screen may
be read by others. No name of a patient either. The clinic is named as it names itself in TEXT_FROM. Wording
and links stay within the GSM alphabet and two segments; in Spanish that rules out words with á, í, ó and ú
(é, ñ, ü, ¿ and ¡ are in it).
"""

from dataclasses import dataclass

from django.conf import settings
from django.template.loader import render_to_string

from resupply.delivery import addresses
from resupply.rules.segments import Cost, cheap, measure, plain

LANGUAGES = ("en", "es")
STEPS = ("ask", "ask_again", "due", "overdue_1", "overdue_2")
NAMES = (
    "refill", "refill_question", "swap", "follow_up", "welcome", "calendar", "recall",
    "stopped", "started", "help", "link_again",
)  # fmt: skip
"""Wordings: files of templates/text, and of templates/text/es."""
_STEPPED = frozenset({"refill", "refill_question"})
_EMERGENCY = {"US": "911", "CA": "911", "PR": "911", "MX": "911"}
"""What to call in an emergency, by the country of the clinic; elsewhere nothing is said."""


@dataclass(frozen=True, slots=True)
class Shown:
    """What wordings are filled with."""

    phone: str
    link: str = ""
    step: str = ""
    parts: str = ""
    """What it is about, where the patient chose detail."""
    sender: str | None = None


def word(name: str, language: str, shown: Shown) -> str:
    """A wording filled in, in a language (English where there is no other), with one blank between words."""
    folder = "text/es" if language == "es" else "text"
    sender = settings.TEXT_SENDER_NAME if shown.sender is None else shown.sender
    filled = {
        "sender": cheap(sender),
        "phone": shown.phone,
        "link": shown.link,
        "step": shown.step,
        "parts": cheap(shown.parts),
        "emergency": _EMERGENCY.get(settings.PHONE_REGION, ""),
    }
    return " ".join(plain(render_to_string(f"{folder}/{name}.txt", filled)).split())


def every(phone: str, link: str, *, sender: str | None = None) -> dict[tuple[str, str, str], str]:
    """Every wording there is, by name, language and step."""
    return {
        (name, language, step): word(name, language, Shown(phone, link, step, sender=sender))
        for name in NAMES
        for language in LANGUAGES
        for step in (STEPS if name in _STEPPED else ("",))
    }


def too_long(cost: Cost) -> str:
    """Why a text is not sent, with the characters that make it long: for staff."""
    outside = f"; {' '.join(cost.outside)} made it UCS-2" if cost.outside else ""
    twice = f"; {' '.join(cost.extended)} count twice" if cost.extended else ""
    return f"too long: {cost.segments} segments of {cost.units} units{outside}{twice}"


def check_wordings(phone: str) -> list[str]:
    """What is wrong with the wordings as this clinic sends them: its name, its longest phone, its links."""
    if not settings.TEXT_URL:
        return []
    texts = every(phone, addresses.question("x" * 22))
    costs = {name: measure(text) for name, text in texts.items()}
    return [f"{' '.join(name).strip()}: {too_long(cost)}" for name, cost in costs.items() if not cost.fits]
