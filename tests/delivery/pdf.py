"""A reader of PDF files as the slips are: enough of ISO 32000-1 to see what a person would.

Objects, streams in ASCII85 and Flate (7.4), text shown with Tj (9.4.3), each font's ToUnicode map (9.10.3).
"""

import base64
import re
import zlib
from dataclasses import dataclass

_OBJECT = re.compile(rb"(\d+) 0 obj\s(.*?)\sendobj", re.DOTALL)
_STREAM = re.compile(rb"stream\r?\n(.*?)\r?\n?endstream", re.DOTALL)
_SHOWN = re.compile(rb"/(F\d+(?:\+\d+)?) [\d.]+ Tf|\(((?:\\.|[^\\()])*)\) Tj|(T\*|Td|Tm|ET)", re.DOTALL)
_ESCAPE = re.compile(rb"\\([0-7]{1,3}|.)", re.DOTALL)


@dataclass(frozen=True, slots=True)
class Pdf:
    """A file taken apart: objects by number."""

    objects: dict[int, bytes]

    @classmethod
    def read(cls, content: bytes) -> "Pdf":
        """Take a file apart."""
        assert content.startswith(b"%PDF-")
        assert content.rstrip().endswith(b"%%EOF")
        return cls({int(number): body for number, body in _OBJECT.findall(content)})

    def having(self, words: bytes) -> list[int]:
        """The numbers of the objects whose dictionary has these words."""
        return [number for number, body in self.objects.items() if words in body.split(b"stream")[0]]

    def reference(self, number: int, key: bytes) -> int:
        """The object that a key of a dictionary refers to."""
        found = re.search(rb"/" + key + rb" (\d+) 0 R", self.objects[number])
        assert found, (number, key)
        return int(found[1])

    def text(self) -> str:
        """The words of all pages in the order they were drawn; a new line where the text moves."""
        shown = []
        for page in self.having(b"/Type /Page\n") or self.having(b"/Type /Page "):
            fonts = self._fonts(page)
            letters: dict[int, str] = {}
            for font, words, moved in _SHOWN.findall(self._stream(self.reference(page, b"Contents"))):
                if font:
                    letters = fonts[font]
                elif moved:
                    shown.append("\n")
                else:
                    shown += [letters.get(code, chr(code)) for code in _unescaped(words)]
        return "".join(shown)

    def pages(self) -> int:
        """How many pages there are."""
        return len(self.having(b"/Type /Page\n") or self.having(b"/Type /Page "))

    def info(self) -> dict[str, str]:
        """What the file says of itself: title, author and so on (14.3.3)."""
        (number,) = self.having(b"/CreationDate")
        pairs = re.findall(rb"/(\w+) \(((?:\\.|[^\\()])*)\)", self.objects[number])
        return {key.decode(): _decoded(_unescaped(value)) for key, value in pairs}

    def _fonts(self, page: int) -> dict[bytes, dict[int, str]]:
        """Of each font of a page: its codes as letters."""
        body = self.objects[page]
        inner = re.search(rb"/Font (\d+) 0 R", body)
        named = self.objects[int(inner[1])] if inner else body
        found = {}
        for name, number in re.findall(rb"/(F\d+(?:\+\d+)?) (\d+) 0 R", named):
            has_map = b"/ToUnicode" in self.objects[int(number)]
            found[name] = self._letters(self.reference(int(number), b"ToUnicode")) if has_map else {}
        return found

    def _letters(self, number: int) -> dict[int, str]:
        """A ToUnicode map: code -> letters."""
        cmap, letters = self._stream(number).decode("ascii"), {}
        for block in re.findall(r"beginbfchar(.*?)endbfchar", cmap, re.DOTALL):
            for code, to in re.findall(r"<([0-9A-Fa-f]+)>\s*<([0-9A-Fa-f]+)>", block):
                letters[int(code, 16)] = bytes.fromhex(to).decode("utf-16-be")
        for block in re.findall(r"beginbfrange(.*?)endbfrange", cmap, re.DOTALL):
            for first, to in re.findall(r"<([0-9A-Fa-f]+)>\s*<[0-9A-Fa-f]+>\s*\[(.*?)\]", block, re.DOTALL):
                for offset, letter in enumerate(re.findall(r"<([0-9A-Fa-f]+)>", to)):
                    letters[int(first, 16) + offset] = bytes.fromhex(letter).decode("utf-16-be")
        return letters

    def _stream(self, number: int) -> bytes:
        """A stream, decoded."""
        body = self.objects[number]
        found = _STREAM.search(body)
        assert found, number
        data = found[1]
        if b"/ASCII85Decode" in body:
            data = base64.a85decode(data.strip().removesuffix(b"~>"))
        return zlib.decompress(data) if b"/FlateDecode" in body else data


def _unescaped(text: bytes) -> bytes:
    """A literal string without its escapes (7.3.4.2)."""

    def plain(match: re.Match[bytes]) -> bytes:
        mark = match[1]
        if mark.isdigit():
            return bytes([int(mark, 8)])
        return {b"n": b"\n", b"r": b"\r", b"t": b"\t", b"b": b"\b", b"f": b"\f"}.get(mark, mark)

    return _ESCAPE.sub(plain, text)


def _decoded(text: bytes) -> str:
    """A text string: UTF-16 with its mark, else Latin letters (7.9.2.2)."""
    return text.decode("utf-16") if text.startswith((b"\xfe\xff", b"\xff\xfe")) else text.decode("latin-1")
