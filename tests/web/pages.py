"""Pages as people read them."""

import re
from typing import Any


def text(answer: Any) -> str:
    """The words of a page, without its marks."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.content.decode()))
