"""The words of the patient's own page, and how its dates are said: a table of texts in each language.

>>> said_day(date(2026, 3, 18), "en", today=date(2026, 3, 1))
'Wednesday 18 March'
>>> said_day(date(2027, 1, 2), "es", today=date(2026, 3, 1))
'sábado 2 de enero de 2027'
>>> said_hour(8, "en"), said_hour(20, "es"), said_hour(0, "en"), said_hour(12, "es")
('8 am', '8 p. m.', 'midnight', 'mediodía')
>>> words("en")["calendar_change"], words("es")["calendar_change"]
('Change', 'Cambiar')

Source: ours. Month and day names are fixed, not the server's locale.
"""

import tomllib
from collections.abc import Mapping
from datetime import date
from functools import cache
from pathlib import Path
from types import MappingProxyType

LANGUAGES = ("en", "es")
WEEKDAYS = {
    "en": ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday"),
    "es": ("lunes", "martes", "miércoles", "jueves", "viernes", "sábado", "domingo"),
}
MONTHS = {
    "en": (
        "January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
        "November", "December",
    ),
    "es": (
        "enero", "febrero", "marzo", "abril", "mayo", "junio", "julio", "agosto", "septiembre", "octubre",
        "noviembre", "diciembre",
    ),
}  # fmt: skip


@cache
def words(language: str) -> Mapping[str, str]:
    """Every text of the page by key. KeyError: unknown language."""
    found: dict[str, str] = {}
    for section in _table().values():
        for key, text in section.items():
            found[key] = text[language]
    return MappingProxyType(found)


def said_day(day: date, language: str, *, today: date | None) -> str:
    """A day with its weekday; with the year where it differs from today's, or where today is not known."""
    weekday, month = WEEKDAYS[language][day.weekday()], MONTHS[language][day.month - 1]
    year = "" if today is not None and today.year == day.year else str(day.year)
    if language == "es":
        return f"{weekday} {day.day} de {month}{f' de {year}' if year else ''}"
    return f"{weekday} {day.day} {month}{f' {year}' if year else ''}"


def said_hour(hour: int, language: str) -> str:
    """An hour of the day (0 to 23), by the clock of twelve that patients here read."""
    if hour % 12 == 0:
        return {"en": ("midnight", "noon"), "es": ("medianoche", "mediodía")}[language][hour // 12]
    half = {"en": ("am", "pm"), "es": ("a. m.", "p. m.")}[language][hour // 12]
    return f"{hour % 12} {half}"


def said_month(day: date, language: str) -> str:
    """`March 2026`, `marzo de 2026`."""
    month = MONTHS[language][day.month - 1]
    return f"{month} de {day.year}" if language == "es" else f"{month} {day.year}"


@cache
def _table() -> dict[str, dict[str, dict[str, str]]]:
    table: dict[str, dict[str, dict[str, str]]] = tomllib.loads(
        Path(__file__).with_name("patient_page.toml").read_text("utf-8")
    )
    return table
