"""What an .xlsx file may hold before anything in it is opened.

A workbook is a zip archive of XML. One of a few kilobytes can unpack to gigabytes, so its sizes are looked at
twice: as declared, and as they really are, unpacked piece by piece and thrown away. Rows are bounded too,
since a reader holds one whole row in memory, and so are the parts that it reads whole.
"""

import zlib
from io import BytesIO
from zipfile import ZIP_DEFLATED, ZIP_STORED, BadZipFile, ZipFile, ZipInfo

MOST_PARTS = 500
MOST_UNPACKED = 60 * 1024 * 1024
"""Bytes of all parts together."""
MOST_READ_WHOLE = 4 * 1024 * 1024
"""Bytes of a part that is read whole: everything but sheets and the table of texts."""
LONGEST_ROW = 1024 * 1024
"""Bytes of a sheet from the end of one row to the end of the next."""

_PIECE = 64 * 1024
_PACKED = {ZIP_STORED, ZIP_DEFLATED}
"""How parts of a workbook may be packed (ISO/IEC 29500-2, from memory). Packed otherwise, a piece of some
kilobytes is unpacked whole, whatever is asked for.
"""
_IN_ROWS = ("xl/worksheets/", "xl/sharedStrings")
_ENDS = (b"</row>", b"</si>")
_OVERLAP = max(map(len, _ENDS)) - 1


class Unreadable(Exception):  # noqa: N818 - reads as what happened
    """A file that is no workbook, or not one to open. `wrong` and `mend` are for the person who sent it."""

    def __init__(self, wrong: str, mend: str) -> None:
        super().__init__(wrong)
        self.wrong, self.mend = wrong, mend


def check_archive(content: bytes) -> None:
    """Raise Unreadable unless the bytes are a workbook of a size that can be opened safely."""
    try:
        with ZipFile(BytesIO(content)) as archive:
            _check_declared(archive.infolist())
            _check_actual(archive)
    except (BadZipFile, zlib.error, NotImplementedError, EOFError, OSError, ValueError) as error:
        raise _no_workbook() from error


def _check_declared(parts: list[ZipInfo]) -> None:
    names = {part.filename for part in parts}
    is_odd = any(part.compress_type not in _PACKED for part in parts)
    if "[Content_Types].xml" not in names or len(names) != len(parts) or is_odd:
        raise _no_workbook()
    if any(part.flag_bits & 0x1 for part in parts):
        raise Unreadable("the workbook is locked with a password", "save it again without one")
    too_big = len(parts) > MOST_PARTS or sum(part.file_size for part in parts) > MOST_UNPACKED
    if too_big or any(part.file_size > MOST_READ_WHOLE for part in parts if _is_read_whole(part)):
        raise _too_big()


def _check_actual(archive: ZipFile) -> None:
    """Unpack every part piece by piece; what was declared may be untrue."""
    unpacked = 0
    for part in archive.infolist():
        of_part, since_row, tail = 0, 0, b""
        with archive.open(part) as stream:
            while piece := stream.read(_PIECE):
                unpacked += len(piece)
                of_part += len(piece)
                ends = max((tail + piece).rfind(end) for end in _ENDS)
                since_row = since_row + len(piece) if ends < 0 else len(piece)
                tail = piece[-_OVERLAP:]
                if (
                    unpacked > MOST_UNPACKED
                    or (_is_read_whole(part) and of_part > MOST_READ_WHOLE)
                    or (part.filename.startswith(_IN_ROWS) and since_row > LONGEST_ROW)
                ):
                    raise _too_big()


def _is_read_whole(part: ZipInfo) -> bool:
    return part.filename.endswith((".xml", ".rels")) and not part.filename.startswith(_IN_ROWS)


def _no_workbook() -> Unreadable:
    return Unreadable("this is no workbook that can be read", "save it again as .xlsx, or each sheet as CSV")


def _too_big() -> Unreadable:
    wrong = "the workbook holds more than is read"
    return Unreadable(wrong, "leave only the sheets of the list in it, or save each as CSV")
