"""Text messages: `carrier` for the outbox, `wording`, `numbers`; who takes them: `providers`, `gateway`."""

from resupply.delivery.texts.carrier import TextCarrier, open_provider
from resupply.delivery.texts.folder import ShownText, list_texts
from resupply.delivery.texts.numbers import WORDS, NumberError, shown, takes_texts, textable
from resupply.delivery.texts.providers import Provider, Text

__all__ = [
    "WORDS",
    "NumberError",
    "Provider",
    "ShownText",
    "Text",
    "TextCarrier",
    "list_texts",
    "open_provider",
    "shown",
    "takes_texts",
    "textable",
]
