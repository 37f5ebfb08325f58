"""The server to measure on: that of DATABASE_URL, else a private one under var/benchmarks (or BENCH_DIR), as
the tests start theirs.
"""

import os
from pathlib import Path

from clinic import servers

FOLDER = Path(os.environ.get("BENCH_DIR") or Path(__file__).resolve().parents[1] / "var" / "benchmarks")


def start() -> bool:
    """Point the settings at a running server, before Django is set up; tell whether it is a private one."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "clinic.settings")
    os.environ.update(DEMO="1", STATIC_FROM_SOURCE="1", LOG_LEVEL="ERROR")
    FOLDER.mkdir(parents=True, exist_ok=True)
    if "DATABASE_URL" in os.environ:
        return False
    os.environ["DATABASE_URL"] = servers.start_postgres(FOLDER / "postgres", durable=False)
    return True


def stop() -> None:
    """Stop the private server; its data stays."""
    servers.stop_postgres(FOLDER / "postgres")
