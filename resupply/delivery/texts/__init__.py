"""Text messages: `carrier` for the outbox, `wording`, `numbers`; who takes them: `providers`, `gateway`."""

from resupply.delivery.texts.carrier import TextCarrier, open_provider
from resupply.delivery.texts.numbers import WORDS, NumberError, shown, textable
from resupply.delivery.texts.providers import Provider, Text

__all__ = ["WORDS", "NumberError", "Provider", "Text", "TextCarrier", "open_provider", "shown", "textable"]
