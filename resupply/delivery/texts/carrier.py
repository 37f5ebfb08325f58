"""The carrier of text messages: words for a note, and a provider that takes them."""

from dataclasses import replace
from pathlib import Path
from urllib.parse import unquote, urlsplit

from django.conf import settings

from resupply.delivery import addresses
from resupply.delivery.calendar_words import KINDS
from resupply.delivery.texts.gateway import GatewayProvider
from resupply.delivery.texts.numbers import NumberError, textable
from resupply.delivery.texts.providers import ConsoleProvider, FolderProvider, Provider, Text
from resupply.delivery.texts.wording import LANGUAGES, NAMES, Shown, too_long, word
from resupply.rules.kinds import Kind
from resupply.rules.segments import measure
from resupply.rules.sending import Answer, Letter, Note, Outcome


def open_provider(url: str, *, secret: str = "") -> Provider:
    """The provider that an address means; the settings have checked its shape."""
    parts = urlsplit(url)
    if parts.scheme == "file":
        return FolderProvider(Path(unquote(parts.path)))
    if parts.scheme == "console":
        return ConsoleProvider()
    return GatewayProvider(url, secret=secret)


def _link(note: Note) -> str:
    """The address a text carries: of the question, or else of the patient's own page."""
    return addresses.question(note.token) or addresses.own_page(note.page_token)


class TextCarrier:
    """A `Carrier` of text messages: one for a batch, closed after it."""

    def __init__(self, provider: Provider | None = None) -> None:
        self._provider = provider or open_provider(settings.TEXT_URL, secret=settings.TEXT_SECRET)

    def compose(self, note: Note) -> Letter:
        """Put a note into the patient's language; its address is the number as it is on record.

        Parts are named where the patient chose detail, as long as that stays within two segments.
        """
        language = note.language if note.language in LANGUAGES else "en"
        link = _link(note)
        usual = "refill_question" if note.token else "refill"
        name = note.purpose if note.purpose in NAMES else usual
        parts = ", ".join(KINDS[language][Kind(kind)] for kind in note.kinds)
        shown = Shown(phone=note.phone, link=link, step=note.step, parts=parts)
        text = word(name, language, shown)
        if parts and not measure(text).fits:
            text = word(name, language, replace(shown, parts=""))
        return Letter(note.key, note.address, language, subject="", text=text, html="")

    def send(self, letter: Letter) -> Answer:
        """Hand a text over; one that is too long or has no number for texts is refused before that."""
        cost = measure(letter.text)
        if not cost.fits:
            return Answer(Outcome.REFUSED, too_long(cost))
        try:
            number = textable(letter.address)
        except NumberError as error:
            return Answer(Outcome.REFUSED, f"not a number for texts: {error.code}")
        text = Text(letter.key, to=number, sender=settings.TEXT_SENDER_NUMBER, body=letter.text)
        return self._provider.send(text)

    def close(self) -> None:
        """Let go of the connection."""
        self._provider.close()
