"""A file that only the holder of a key can read, and that cannot be changed, reordered or cut unnoticed.

The text is cut into chunks, each encrypted by AES-256-GCM under a key made for this file alone (HKDF-SHA-256,
RFC 5869, over a random salt). A chunk's nonce is its number and whether it is the last one: a chunk that is
missing, doubled, moved or from another file fails, and so does a file that ends early or goes on too long.
The construction is STREAM (Hoang, Reyhanitabar, Rogaway and Vizár, "Online authenticated-encryption and its
nonce-reuse misuse-resistance", CRYPTO 2015). The header is authenticated with every chunk.

    magic line | key's id, 8 bytes | salt, 32 bytes | chunk | chunk | ... (each 64 KiB and a 16-byte tag)
"""

import secrets
from collections.abc import Iterator, Sequence
from hashlib import sha256
from typing import BinaryIO

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

from resupply.services.errors import Refused

MAGIC = b"EVENKEEP BACKUP 1\n"
CHUNK = 64 * 1024
TAG = 16
_ID, _SALT = 8, 32
_HEADER = len(MAGIC) + _ID + _SALT


def key_id(key: bytes) -> str:
    """Sixteen hexadecimal digits that name a key and tell nothing of it."""
    return sha256(b"evenkeep backup key id\0" + key).hexdigest()[: 2 * _ID]


def _cipher(key: bytes, header: bytes) -> AESGCM:
    salt = header[-_SALT:]
    return AESGCM(HKDF(algorithm=SHA256(), length=32, salt=salt, info=header[:-_SALT]).derive(key))


def _nonce(number: int, *, is_last: bool) -> bytes:
    return number.to_bytes(11, "big") + bytes([is_last])


class SealedWriter:
    """Encrypts what is written into `file`; without `close` the file has no end and opens for nobody."""

    def __init__(self, file: BinaryIO, key: bytes) -> None:
        self._header = MAGIC + bytes.fromhex(key_id(key)) + secrets.token_bytes(_SALT)
        self._file, self._cipher = file, _cipher(key, self._header)
        self._kept, self._number = bytearray(), 0
        self.size, self._digest = 0, sha256()
        self._put(self._header)

    def write(self, text: bytes) -> None:
        """Take some bytes; whole chunks go out at once."""
        self._kept += text
        while len(self._kept) > CHUNK:  # a full one is kept: it may turn out to be the last
            self._seal(bytes(self._kept[:CHUNK]), is_last=False)
            del self._kept[:CHUNK]

    def close(self) -> str:
        """Write the last chunk; return the SHA-256 of the file in hexadecimal digits."""
        self._seal(bytes(self._kept), is_last=True)
        self._kept.clear()
        return self._digest.hexdigest()

    def _seal(self, text: bytes, *, is_last: bool) -> None:
        self._put(self._cipher.encrypt(_nonce(self._number, is_last=is_last), text, self._header))
        self._number += 1

    def _put(self, some: bytes) -> None:
        self._file.write(some)
        self._digest.update(some)
        self.size += len(some)


def unsealed(file: BinaryIO, keys: Sequence[bytes]) -> Iterator[bytes]:
    """The text of a file, chunk by chunk, each checked before it is given out.

    Raises Refused: `no_backup`, `wrong_key`, `damaged` (changed or cut; whatever came before it was genuine).
    """
    header = file.read(_HEADER)
    if not header.startswith(MAGIC) or len(header) < _HEADER:
        raise Refused("no_backup", "This is no backup file.")
    named = header[len(MAGIC) : len(MAGIC) + _ID].hex()
    key = next((key for key in keys if key_id(key) == named), None)
    if key is None:
        raise Refused(
            "wrong_key",
            f"It was made with another key ({named}). Put that key into BACKUP_KEY, behind a comma.",
        )
    cipher, number = _cipher(key, header), 0
    chunk = file.read(CHUNK + TAG)
    while True:
        following = file.read(CHUNK + TAG)
        try:
            text = cipher.decrypt(_nonce(number, is_last=not following), chunk, header)
        except (InvalidTag, ValueError):
            raise Refused(
                "damaged", "The file was changed, damaged or cut short. Nothing was written."
            ) from None
        yield text
        if not following:
            return
        chunk, number = following, number + 1
