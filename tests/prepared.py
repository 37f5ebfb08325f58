"""A PostgreSQL for one run of the tests whose database is migrated already.

Migrating takes most of the time of a short run, so a migrated data folder is kept under var/, named by a
digest of everything that decides its content, and each run works on a copy.
"""

import hashlib
import os
import shutil
import subprocess
import sys
from pathlib import Path

from fasteners import InterProcessLock

from clinic import servers

ROOT = Path(__file__).resolve().parents[1]
KEPT = ROOT / "var" / "test-postgres"


def start(folder: Path) -> None:
    """Start the server in `folder`; its database `evenkeep` is migrated and nobody is connected to it."""
    kept = KEPT / _digest()
    KEPT.mkdir(parents=True, exist_ok=True)
    with InterProcessLock(str(KEPT / "lock")):  # another run may be at it
        if not kept.exists():
            _prepare(folder, kept)
        else:
            _copy(kept, folder)
    servers.start_postgres(folder, durable=False)


def _prepare(folder: Path, kept: Path) -> None:
    """Migrate a new server in `folder`, stop it, and keep a copy beside the two latest others."""
    url = servers.start_postgres(folder, durable=False)
    environment = {**os.environ, "DATABASE_URL": url}
    subprocess.run(
        [sys.executable, "manage.py", "migrate", "--verbosity", "0"], cwd=ROOT, env=environment, check=True
    )
    servers.stop_postgres(folder)
    for old in sorted(KEPT.glob("*/"), key=lambda one: one.stat().st_mtime)[:-2]:
        shutil.rmtree(old)
    unfinished = KEPT / "unfinished"
    _copy(folder, unfinished)
    unfinished.rename(kept)


def _copy(source: Path, target: Path) -> None:
    """Copy a data folder with its owner and modes: PostgreSQL insists on both."""
    subprocess.run(["cp", "-a", str(source), str(target)], check=True)


def _digest() -> str:
    """Return a digest of the migrations, the packages and the Python that make the database."""
    digest = hashlib.sha256(sys.version.encode())
    files = [
        ROOT / "requirements-dev.lock",
        Path(__file__),
        Path(servers.__file__),
        ROOT / "clinic/settings.py",
    ]
    files += sorted(ROOT.glob("clinic/**/migrations/*.py")) + sorted(ROOT.glob("resupply/**/migrations/*.py"))
    for file in files:
        digest.update(file.name.encode() + b"\0" + file.read_bytes())
    return digest.hexdigest()[:16]
