"""What the documents name is there."""

import re
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def test_every_test_that_the_table_of_requirements_names_is_there() -> None:
    named = set(re.findall(r"[\w/]+/test_\w+\.py", (ROOT / "docs" / "security.md").read_text()))
    assert len(named) > 20
    missing = {name for name in named if not (ROOT / "tests" / name).is_file()}
    assert missing == {name for name in missing if (ROOT / name).is_file()}
