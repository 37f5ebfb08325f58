"""Who takes text messages: the protocol, and two for trials, a folder and the console.

A provider is handed one text at a time and answers at once. It gets the same `key` for every attempt of one
message. What became of a text later comes by a signed callback (`web/gateway.py`).
"""

import json
import sys
from dataclasses import asdict, dataclass
from hashlib import sha256
from pathlib import Path
from typing import Protocol, TextIO

from resupply.rules.sending import Answer, Outcome


@dataclass(frozen=True, slots=True)
class Text:
    """A text on its way: `to` in E.164, `sender` the clinic's number; `key` names the message for ever."""

    key: str
    to: str
    sender: str
    body: str


class Provider(Protocol):
    """Takes texts out of the building."""

    def send(self, text: Text) -> Answer:
        """Hand a text over. Never raises for what a server or a network does."""
        ...

    def close(self) -> None:
        """Let go of the connection."""
        ...


class FolderProvider:
    """Writes each text to a file of its own, for a person to read what a patient would have received.

    The file is named after the key, so that another attempt of a message writes nothing.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def send(self, text: Text) -> Answer:
        """Write the text, complete or not at all; its reference is the folder's name for it."""
        reference = sha256(text.key.encode()).hexdigest()[:16]
        file = self._folder / f"{reference}.json"
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            if not file.exists():
                unfinished = file.with_suffix(".unfinished")
                unfinished.write_text(json.dumps(asdict(text)))
                unfinished.rename(file)
        except OSError as error:
            return Answer(Outcome.UNREACHABLE, type(error).__name__)
        return Answer(Outcome.ACCEPTED, reference=reference)

    def close(self) -> None:
        """Nothing is kept open."""


class ConsoleProvider:
    """Writes each text to the console: for a look at wording, never for a clinic (it shows personal data)."""

    def __init__(self, stream: TextIO | None = None) -> None:
        self._stream = stream

    def send(self, text: Text) -> Answer:
        """Print the text."""
        print(f"--- text to {text.to}\n{text.body}\n---", file=self._stream or sys.stdout, flush=True)
        return Answer(Outcome.ACCEPTED)

    def close(self) -> None:
        """Nothing is kept open."""
