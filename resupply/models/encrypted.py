"""Text that lies encrypted in the database: telephone numbers, mail and postal addresses of patients.

A stored value is `enc1:<keys>:<blind>:<mark>:<sealed>`: an id of the keys, a keyed hash of the text
(HMAC-SHA-256 under an index key, 128 bits), a mark, and nonce and ciphertext of AES-256-GCM, which also
vouches for the three before it. Empty stays empty.

Who has the database, a dump of it or its disk and not the keys reads nothing, but sees which values are
equal: that is what the blind part is for. Looking for a whole value goes by it, under each index key there
is; comparing two columns and unique constraints too, for values under the same one. No other look-up works on
such a column, and none falls back to reading every row.

The mark stands for the text wherever a hash of a row must not change with a key (seals of history): SHA-256
over the text and a random salt, which lies encrypted with it and stays with it when keys change. Without the
salt the mark tells nothing.

Values without the prefix are read as they are: rows written before there were keys, until
`manage.py rotate_data_keys` has passed them.
"""

import base64
import hashlib
import hmac
import os
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from django.conf import settings
from django.core.exceptions import FieldError
from django.db import models
from django.db.models import Func
from django.db.models.lookups import Exact, In, IsNull

PREFIX = "enc1:"
BLIND_PART, MARK_PART = 3, 4
"""Places of the parts of a stored value, as PostgreSQL's `split_part` counts."""
_BLIND_BYTES = _SALT_BYTES = 16
_NONCE_BYTES = 12

if TYPE_CHECKING:
    _Text = models.TextField[Any, str]
else:
    _Text = models.TextField


def encrypt(text: str) -> str:
    """A text as it is stored, under the newest keys."""
    return _sealed(text, os.urandom(_SALT_BYTES)) if text else text


def decrypt(stored: str) -> str:
    """The text of a stored value.

    Raises LookupError where its key is not among DATA_KEYS, InvalidTag where it was tampered with.
    """
    return _opened(stored)[1].decode() if stored.startswith(PREFIX) else stored


def encrypt_anew(stored: str) -> str:
    """A stored value under the newest keys; its mark stays."""
    if not stored.startswith(PREFIX):
        return encrypt(stored)
    salt, text = _opened(stored)
    return _sealed(text.decode(), salt)


def is_sound(stored: str) -> bool:
    """Whether a stored value can be read, and its keyed hash and mark are those of its text. One that is not
    encrypted is what it says.
    """
    if not stored.startswith(PREFIX):
        return True
    try:
        salt, text = _opened(stored)
    except Exception:  # whatever is wrong with it
        return False
    _, _, its_blind, its_mark, _ = stored.split(":")
    return its_blind in blinds(text.decode()) and its_mark == _mark(salt, text)


def _sealed(text: str, salt: bytes) -> str:
    key = settings.DATA_KEYS[0]
    head = f"{newest_prefix()}{blind(text)}:{_mark(salt, text.encode())}:"
    nonce = os.urandom(_NONCE_BYTES)
    return head + _written(nonce + _cipher(key).encrypt(nonce, salt + text.encode(), head.encode()))


def _opened(stored: str) -> tuple[bytes, bytes]:
    """Salt and text of a stored value."""
    head, _, sealed = stored.rpartition(":")
    raw = base64.urlsafe_b64decode(sealed + "=" * (-len(sealed) % 4))
    cipher = _cipher(_key(stored[len(PREFIX) : stored.index(":", len(PREFIX))]))
    whole = cipher.decrypt(raw[:_NONCE_BYTES], raw[_NONCE_BYTES:], f"{head}:".encode())
    return whole[:_SALT_BYTES], whole[_SALT_BYTES:]


def _mark(salt: bytes, text: bytes) -> str:
    return _written(hashlib.sha256(salt + text).digest()[:_BLIND_BYTES])


def blind(text: str) -> str:
    """The keyed hash of a text, as values are stored with it now."""
    return keyed_hash(f"value:{text}")


def blinds(text: str) -> list[str]:
    """The keyed hashes of a text under every index key, the newest first: values may be stored with any."""
    return keyed_hashes(f"value:{text}")


def keyed_hash(text: str) -> str:
    """128 bits of HMAC-SHA-256 under the newest index key, in 22 letters; texts start with what they are
    for.
    """
    return _hashed(settings.INDEX_KEYS[0], text)


def keyed_hashes(text: str) -> list[str]:
    """The same under every index key, the newest first."""
    return [_hashed(key, text) for key in settings.INDEX_KEYS]


def _hashed(key: bytes, text: str) -> str:
    return _written(hmac.digest(key, text.encode(), "sha256")[:_BLIND_BYTES])


def newest_prefix() -> str:
    """How a value under the newest keys begins."""
    return f"{PREFIX}{key_id(settings.DATA_KEYS[0], settings.INDEX_KEYS[0])}:"


@lru_cache(maxsize=64)
def key_id(key: bytes, index_key: bytes) -> str:
    """Eight letters that name a data key and an index key, and tell nothing of them."""
    return hashlib.sha256(b"id of keys:" + key + index_key).hexdigest()[:8]


def _key(wanted: str) -> bytes:
    for key in settings.DATA_KEYS:
        if any(key_id(key, index_key) == wanted for index_key in settings.INDEX_KEYS):
            return bytes(key)
    raise LookupError(f"DATA_KEYS and INDEX_KEY have no pair {wanted}: a value is encrypted under it")


@lru_cache(maxsize=32)
def _cipher(key: bytes) -> AESGCM:
    return AESGCM(key)


def _written(raw: bytes) -> str:
    return base64.urlsafe_b64encode(raw).rstrip(b"=").decode()


class Blind(Func):
    """The blind part of an encrypted column, for indexes and constraints."""

    template = f"split_part(%(expressions)s, ':', {BLIND_PART})"
    output_field = models.TextField()
    arity = 1


class EncryptedTextField(_Text):
    """Text of any length that is stored encrypted. Look-ups: exact, in, isnull; empty text is not
    encrypted.
    """

    def get_prep_value(self, value: Any) -> Any:
        """The stored form."""
        text = super().get_prep_value(value)
        return encrypt(text) if isinstance(text, str) else text

    def from_db_value(self, value: str | None, expression: object, connection: object) -> str | None:
        """The text."""
        return value if value is None else decrypt(value)

    def get_lookup(self, lookup_name: str) -> Any:
        """Only look-ups that go by the blind part."""
        found = super().get_lookup(lookup_name)
        if found is not None and not issubclass(found, (_Same, _OneOf, IsNull)):
            raise FieldError(f"encrypted text cannot be looked up by {lookup_name}")
        return found


class _ByBlind:
    """Compares blind parts: of a column on the left with those of texts or of a column on the right."""

    def process_lhs(self, compiler: Any, connection: Any, lhs: Any = None) -> Any:
        sql, params = super().process_lhs(compiler, connection, lhs)  # type: ignore[misc]
        if self.rhs == "":  # type: ignore[attr-defined] # nothing lies as nothing
            return sql, params
        return f"split_part({sql}, ':', {BLIND_PART})", params

    def process_rhs(self, compiler: Any, connection: Any) -> Any:
        sql, params = super().process_rhs(compiler, connection)  # type: ignore[misc]
        if self.rhs_is_direct_value():  # type: ignore[attr-defined]
            return sql, params
        return f"split_part({sql}, ':', {BLIND_PART})", params


@EncryptedTextField.register_lookup
class _Same(_ByBlind, Exact):
    lookup_name = "exact"

    def get_prep_lookup(self) -> Any:
        is_text = isinstance(self.rhs, str)
        return (blinds(self.rhs) if self.rhs else "") if is_text else super().get_prep_lookup()

    def get_db_prep_lookup(self, value: Any, connection: Any) -> Any:
        if isinstance(value, list) and len(value) > 1:
            return "ANY(%s)", [value]
        return "%s", value if isinstance(value, list) else [value]


@EncryptedTextField.register_lookup
class _OneOf(_ByBlind, In):
    lookup_name = "in"

    def get_prep_lookup(self) -> Any:
        if not self.rhs_is_direct_value():
            return super().get_prep_lookup()
        return [found for text in self.rhs for found in (blinds(text) if text else [""])]

    def get_db_prep_lookup(self, value: Any, connection: Any) -> Any:
        return "%s", [*value]
