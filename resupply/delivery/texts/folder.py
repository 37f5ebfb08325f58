"""The demo's folder of texts, for a page that shows what patients would have received."""

import json
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import unquote, urlsplit

from django.conf import settings

from resupply.rules.segments import measure


@dataclass(frozen=True, slots=True)
class ShownText:
    """A text as it left: `sent_at` (aware) from its file, `segments` as a network counts."""

    sent_at: datetime
    to: str
    body: str
    segments: int


def list_texts(limit: int = 50) -> list[ShownText]:
    """The newest texts of the folder first; none where texts go to a gateway or nothing was sent."""
    parts = urlsplit(settings.TEXT_URL)
    folder = Path(unquote(parts.path))
    if parts.scheme != "file" or not folder.is_dir():
        return []
    files = [(file.stat().st_mtime, file) for file in folder.glob("*.json")]
    return [_read(file, at) for at, file in sorted(files, reverse=True)[:limit]]


def _read(file: Path, at: float) -> ShownText:
    text = json.loads(file.read_text())
    return ShownText(
        sent_at=datetime.fromtimestamp(at, UTC),
        to=text["to"],
        body=text["body"],
        segments=measure(text["body"]).segments,
    )
