"""A folder that the processes of one web server share, and no other server."""

import os
import tempfile
from pathlib import Path


def shared_folder() -> str:
    """A folder for the processes of one server: named after the process that started them, and its start."""
    parent = os.getppid()
    try:
        began = Path(f"/proc/{parent}/stat").read_text().rpartition(")")[2].split()[19]
    except OSError:
        began = "0"
    folder = Path(tempfile.gettempdir()) / f"evenkeep-metrics-{os.getuid()}-{parent}-{began}"
    folder.mkdir(mode=0o700, exist_ok=True)
    if folder.stat().st_uid != os.getuid():
        raise PermissionError(f"{folder} belongs to somebody else.")
    return str(folder)
