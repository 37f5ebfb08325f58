"""A folder of open CSV files with their checksums, which is there whole or not at all.

It is written under another name, and takes its own in one step once every file is on disk. `SHA256SUMS` has
the form that `sha256sum --check` of the GNU core utilities reads.
"""

import hashlib
import os
import shutil
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from resupply.delivery.tables_out import Cell, csv_lines

SUMS = "SHA256SUMS"
Table = tuple[Sequence[str], Iterable[Sequence[Cell]]]


def write_folder(place: Path, name: str, tables: Mapping[str, Table]) -> Path:
    """Write `place/name` with one CSV file a table, header first; returns the folder.

    Only its owner may read it. Raises OSError (a full disk, no such place); nothing half-written stays.
    """
    whole, part = place / name, place / f".{name}.part"
    shutil.rmtree(part, ignore_errors=True)
    part.mkdir(mode=0o700, parents=True)
    try:
        sums = [
            f"{_write(part / f'{table}.csv', header, rows)}  {table}.csv\n"
            for table, (header, rows) in tables.items()
        ]
        _through(part / SUMS, (line.encode() for line in sums))
        sync_folder(part)
        part.rename(whole)
    except BaseException:
        shutil.rmtree(part, ignore_errors=True)
        raise
    sync_folder(place)
    return whole


def sync_folder(folder: Path) -> None:
    """Have the names in a folder on the disk: a synced file can still lose its name (POSIX, fsync)."""
    opened = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(opened)
    finally:
        os.close(opened)


def _write(path: Path, header: Sequence[str], rows: Iterable[Sequence[Cell]]) -> str:
    """Write one table; returns its checksum."""
    return _through(path, (line.encode() for line in csv_lines(header, rows)))


def _through(path: Path, text: Iterable[bytes]) -> str:
    """Write one file through to the disk; returns its checksum."""
    digest = hashlib.sha256()
    with path.open("wb") as file:
        os.fchmod(file.fileno(), 0o600)
        for some in text:
            digest.update(some)
            file.write(some)
        file.flush()
        os.fsync(file.fileno())
    return digest.hexdigest()
