"""The words of the page on which a patient answers a refill question, in each language.

>>> words("en")["yes"], words("es")["yes"]
('Yes, I want this', 'Sí, lo quiero')

Source: ours. What frames every page of a patient (`FRAME`) comes from `patient_page`.
"""

import tomllib
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from types import MappingProxyType

from resupply.rules import patient_page

FRAME = ("skip", "foot", "demo", "printed")


@cache
def words(language: str) -> Mapping[str, str]:
    """Every text of the page by key. KeyError: unknown language."""
    frame = {key: patient_page.words(language)[key] for key in FRAME}
    own = {key: text[language] for section in _table().values() for key, text in section.items()}
    return MappingProxyType(frame | own)


@cache
def _table() -> dict[str, dict[str, dict[str, str]]]:
    table: dict[str, dict[str, dict[str, str]]] = tomllib.loads(
        Path(__file__).with_name("question_page.toml").read_text("utf-8")
    )
    return table
