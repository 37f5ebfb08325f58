"""Log lines without secrets: the path of a calendar feed, of a question to a patient or of a patient's own
page is its password, so it never reaches a log.
"""

import logging
import re

_SECRET_PATH = re.compile(r"(/(?:cal|ask|me|stop)/)[^\s\"'<>?#]+")


def scrub(text: str) -> str:
    """Return `text` with the secret of every such path replaced."""
    return _SECRET_PATH.sub(r"\1[secret]", text)


class ScrubbingFormatter(logging.Formatter):
    """Formats one record, traceback and arguments included, and scrubs the result as a whole."""

    def __init__(self) -> None:
        super().__init__("%(asctime)s %(levelname)s %(name)s %(message)s")

    def format(self, record: logging.LogRecord) -> str:
        """Return the finished line or lines."""
        return scrub(super().format(record))
