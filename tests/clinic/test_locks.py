"""The locked packages: everything pinned and hashed, and nothing that tells where they were fetched."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
LOCKS = ["requirements.lock", "requirements-dev.lock"]
PIN = re.compile(r"^([a-z0-9.-]+)==(\S+)", re.M)


@pytest.mark.parametrize("name", LOCKS)
def test_a_lock_holds_pins_and_hashes_only(name: str) -> None:
    for line in (ROOT / name).read_text().splitlines():
        assert re.fullmatch(r"[a-z0-9.-]+==\S+( ;.*)? \\|    --hash=sha256:[0-9a-f]{64}( \\)?", line), line


def test_what_is_tested_is_what_is_deployed() -> None:
    deployed = dict(PIN.findall((ROOT / "requirements.lock").read_text()))
    tested = dict(PIN.findall((ROOT / "requirements-dev.lock").read_text()))
    assert deployed
    assert deployed.items() <= tested.items()
