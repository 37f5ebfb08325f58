"""Log lines without secrets and without patients' data, and which request or task a line belongs to.

The path of a calendar feed, of a question to a patient or of a patient's own page is its password, so it
never reaches a log. Nor do addresses, telephone numbers, passwords in URLs, or the values that PostgreSQL
quotes in its errors.

In a deployment each line is one JSON object (`at`, `level`, `logger`, `message`, `request`, and what a record
adds of `FIELDS`). The text of an exception is left out there, unless its kind is about the machine and not
about a value: where it came from stays.
"""

import json
import logging
import re
import traceback
from collections.abc import Iterator
from contextvars import ContextVar
from datetime import UTC, datetime

request_id: ContextVar[str] = ContextVar("request_id", default="")
"""Of the request (or task) that this thread works on; "": none."""

FIELDS = ("view", "method", "status", "ms", "user")
"""What a record may add to its line: nothing else is taken, so nobody can log a patient by a slip."""
_ABOUT_THE_MACHINE = (
    *("OSError", "OperationalError", "ImportError", "ImproperlyConfigured", "TemplateDoesNotExist"),
    *("TimeoutError", "ConnectionError", "PoolTimeout"),
)

_SCRUBBED = [
    (re.compile(pattern), replacement)
    for pattern, replacement in (
        (r"(/(?:cal|ask|me|stop|join|new-password)/)[^\s\"'<>?#]+", r"\1[secret]"),
        (r"(?m)^((?:.*\b)?(?:DETAIL|CONTEXT): ).*", r"\1[values]"),  # PostgreSQL's: they quote rows
        (r"(://[^\s:/@\"']*:)[^\s@/\"']+@", r"\1[secret]@"),
        (r"(?i)(\b(?:authorization|bearer|basic)\b[\"':= ]{1,4})[\w.+/=~-]{8,}", r"\1[secret]"),
        (
            r"(?i)(\b\w*(?:password|passwd|secret|token|key)[\"']?\s?[=:]\s?[\"']?)[^\s\"'&,;)]+",
            r"\1[secret]",
        ),
        (r"[\w.+-]+@[\w-]+(?:\.[\w-]+)+", "[address]"),
        (r"(?<![\w.:-])\+\d[\d ()-]{6,16}\d(?![\w-])", "[number]"),
    )
]


def scrub(text: str) -> str:
    """Return `text` without the secret of a path, passwords, tokens, addresses, numbers and quoted rows."""
    for pattern, replacement in _SCRUBBED:
        text = pattern.sub(replacement, text)
    return text


class ScrubbingFormatter(logging.Formatter):
    """Formats one record, traceback and arguments included, and scrubs the result as a whole."""

    def __init__(self) -> None:
        super().__init__("%(asctime)s %(levelname)s %(name)s %(message)s")

    def format(self, record: logging.LogRecord) -> str:
        """Return the finished line or lines."""
        return scrub(super().format(record))


class JsonFormatter(logging.Formatter):
    """One JSON object a record, on one line."""

    def format(self, record: logging.LogRecord) -> str:
        """Return the finished line."""
        line: dict[str, object] = {
            "at": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname,
            "logger": record.name,
            "message": scrub(record.getMessage()),
        }
        if known := request_id.get():
            line["request"] = known
        line |= {name: vars(record)[name] for name in FIELDS if name in vars(record)}
        if record.exc_info and record.exc_info[1] is not None:
            line["error"] = scrub("".join(_where(record.exc_info[1])))
        return json.dumps(line, default=str)


def _where(error: BaseException | None) -> Iterator[str]:
    """An exception and what it came from: its kind and the lines of code, not its text (see the module)."""
    while error is not None:
        kinds = {kind.__name__ for kind in type(error).__mro__}
        text = str(error) if kinds.intersection(_ABOUT_THE_MACHINE) else "[text left out]"
        yield f"{type(error).__module__}.{type(error).__qualname__}: {text}\n"
        yield from traceback.format_tb(error.__traceback__)
        error = error.__cause__ or (None if error.__suppress_context__ else error.__context__)
