"""What is inside a backup: a head, every table as PostgreSQL's COPY text, and a manifest, compressed.

A line of JSON says what follows; a table's bytes come in blocks with their length before them, and a length
of zero behind the last. The manifest comes at the end, when everything has been counted: rows and SHA-256 of
each table, counters, the names of the migrations, and the newest seal of change history.
"""

import json
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, field
from hashlib import sha256
from typing import Any, BinaryIO

from resupply.services.backups.sealed import SealedWriter, unsealed
from resupply.services.errors import Refused

LEVEL = 3
"""Of compression: fast, and most of what there is to gain."""
BLOCK = 256 * 1024
_LONGEST_LINE = 64 * 1024 * 1024


@dataclass(frozen=True, slots=True)
class Counted:
    """What there is of a table: its rows, and the SHA-256 of its COPY text in the order of its key."""

    rows: int
    digest: str


@dataclass(slots=True)
class Manifest:
    """What a backup holds. `counters`: the state of each sequence (last value, whether it was given out).

    `head` is the newest seal of change history ("": none), `seals` how many there are.
    """

    migrations: list[str]
    tables: dict[str, Counted] = field(default_factory=dict)
    counters: dict[str, tuple[int, bool]] = field(default_factory=dict)
    seals: int = 0
    head: str = ""

    @property
    def rows(self) -> int:
        """Of all tables."""
        return sum(table.rows for table in self.tables.values())


@dataclass(frozen=True, slots=True)
class Head:
    """The first line: `made_at` in ISO form, the clinic's name, the database server's version."""

    made_at: str
    clinic: str
    server: str


@dataclass(frozen=True, slots=True)
class Table:
    """A table follows: its name and the columns in the order of the text."""

    name: str
    columns: list[str]


class Tally:
    """Counts a table's COPY text: a line break inside a value is written as two characters there."""

    def __init__(self) -> None:
        self._digest, self._rows = sha256(), 0

    def add(self, some: bytes) -> None:
        """Take a piece of it."""
        self._digest.update(some)
        self._rows += some.count(b"\n")

    def counted(self) -> Counted:
        """What it came to."""
        return Counted(self._rows, self._digest.hexdigest())


class ArchiveWriter:
    """Writes head, tables and manifest into a sealed file."""

    def __init__(self, file: BinaryIO, key: bytes, head: Head) -> None:
        self._sealed, self._pack = SealedWriter(file, key), zlib.compressobj(LEVEL)
        self._line({"head": asdict(head)})

    def table(self, table: Table, text: Iterator[bytes]) -> Counted:
        """Write a table's text; return what it came to."""
        self._line({"table": asdict(table)})
        tally, kept = Tally(), bytearray()
        for some in text:
            kept += some
            if len(kept) >= BLOCK:
                self._block(bytes(kept), tally)
                kept.clear()
        if kept:
            self._block(bytes(kept), tally)
        self._write(bytes(4))
        return tally.counted()

    def close(self, manifest: Manifest) -> tuple[int, str]:
        """Write the manifest and the end; return the file's size in bytes and its SHA-256."""
        self._line({"manifest": asdict(manifest)})
        self._sealed.write(self._pack.flush())
        digest = self._sealed.close()
        return self._sealed.size, digest

    def _block(self, some: bytes, tally: Tally) -> None:
        tally.add(some)
        self._write(len(some).to_bytes(4, "big"))
        self._write(some)

    def _line(self, what: dict[str, Any]) -> None:
        self._write(json.dumps(what).encode() + b"\n")

    def _write(self, some: bytes) -> None:
        self._sealed.write(self._pack.compress(some))


class ArchiveReader:
    """Reads a file from its start: `entries` gives the head, tables and the manifest in their order.

    After a table its `blocks` are to be read before the next entry.
    """

    def __init__(self, file: BinaryIO, keys: Sequence[bytes]) -> None:
        self._chunks, self._unpack, self._kept = unsealed(file, keys), zlib.decompressobj(), bytearray()

    def entries(self) -> Iterator[Head | Table | Manifest]:
        """What comes, one after the other; ends behind the manifest, when the file's end is proven too."""
        while True:
            said = json.loads(self._line())
            if "manifest" in said:
                for _ in self._chunks:
                    pass
                yield _manifest(said["manifest"])
                return
            yield Head(**said["head"]) if "head" in said else Table(**said["table"])

    def blocks(self) -> Iterator[bytes]:
        """The text of the table that was given out last."""
        while length := int.from_bytes(self._take(4), "big"):
            yield self._take(length)

    def _line(self) -> bytes:
        while b"\n" not in self._kept:
            if len(self._kept) > _LONGEST_LINE:
                raise _damaged("has a line that no backup has")
            self._fill()
        return self._take(self._kept.index(b"\n") + 1)

    def _take(self, length: int) -> bytes:
        while len(self._kept) < length:
            self._fill()
        some = bytes(self._kept[:length])
        del self._kept[:length]
        return some

    def _fill(self) -> None:
        """More text, at most a block of it at once, however well it was compressed."""
        packed = self._unpack.unconsumed_tail or next(self._chunks, None)
        if packed is None:
            raise _damaged("ends before its manifest")
        self._kept += self._unpack.decompress(packed, BLOCK)


def _damaged(what: str) -> Refused:
    return Refused("damaged", f"The file {what}. Nothing was written.")


def _manifest(said: dict[str, Any]) -> Manifest:
    tables = {name: Counted(**counted) for name, counted in said.pop("tables").items()}
    counters = {name: (last, is_out) for name, (last, is_out) in said.pop("counters").items()}
    return Manifest(**said, tables=tables, counters=counters)


def looked_through(file: BinaryIO, keys: Sequence[bytes]) -> tuple[Head, Manifest]:
    """Read a whole file, holding every table against the manifest. Raises Refused as `unsealed` does."""
    reader, found, head = ArchiveReader(file, keys), dict[str, Counted](), None
    for entry in reader.entries():
        if isinstance(entry, Head):
            head = entry
        elif isinstance(entry, Table):
            tally = Tally()
            for some in reader.blocks():
                tally.add(some)
            found[entry.name] = tally.counted()
        elif head is None or found != entry.tables:
            raise _damaged("does not hold what its manifest says")
        else:
            return head, entry
    raise _damaged("ends before its manifest")
