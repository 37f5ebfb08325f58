"""Text that lies encrypted in the database: telephone numbers, mail and postal addresses of patients.

A stored value is `enc1:<key>:<blind>:<sealed>`: the id of the key, a keyed hash of the text (HMAC-SHA-256,
128 bits), and nonce and ciphertext of AES-256-GCM, which also vouches for the two before it. Empty stays
empty.

Who has the database, a dump of it or its disk and not the keys reads nothing, but sees which values are
equal: that is what the blind part is for. Looking for a whole value, comparing two columns and unique
constraints go by it, also while a key is being changed; the index key, which it hangs on, stays when data
keys change. No other look-up works on such a column, and none falls back to reading every row.

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
_BLIND_BYTES = 16
_NONCE_BYTES = 12

if TYPE_CHECKING:
    _Text = models.TextField[Any, str]
else:
    _Text = models.TextField


def encrypt(text: str) -> str:
    """A text as it is stored, under the newest key."""
    if not text:
        return text
    key = settings.DATA_KEYS[0]
    head = f"{PREFIX}{key_id(key)}:{blind(text)}:"
    nonce = os.urandom(_NONCE_BYTES)
    return head + _written(nonce + _cipher(key).encrypt(nonce, text.encode(), head.encode()))


def decrypt(stored: str) -> str:
    """The text of a stored value.

    Raises LookupError where its key is not among DATA_KEYS, InvalidTag where it was tampered with.
    """
    if not stored.startswith(PREFIX):
        return stored
    head, _, sealed = stored.rpartition(":")
    raw = base64.urlsafe_b64decode(sealed + "=" * (-len(sealed) % 4))
    cipher = _cipher(_key(stored[len(PREFIX) : stored.index(":", len(PREFIX))]))
    return cipher.decrypt(raw[:_NONCE_BYTES], raw[_NONCE_BYTES:], f"{head}:".encode()).decode()


def blind(text: str) -> str:
    """The keyed hash of a text, as stored values carry it."""
    return keyed_hash(f"value:{text}")


def keyed_hash(text: str) -> str:
    """128 bits of HMAC-SHA-256 under the index key, in 22 letters; texts start with what they are for."""
    return _written(hmac.digest(settings.INDEX_KEY, text.encode(), "sha256")[:_BLIND_BYTES])


@lru_cache(maxsize=32)
def key_id(key: bytes) -> str:
    """Eight letters that name a key and tell nothing of it."""
    return hashlib.sha256(b"id of a data key:" + key).hexdigest()[:8]


def _key(wanted: str) -> bytes:
    for key in settings.DATA_KEYS:
        if key_id(key) == wanted:
            return bytes(key)
    raise LookupError(f"DATA_KEYS has no key {wanted}: a value is encrypted under it")


@lru_cache(maxsize=32)
def _cipher(key: bytes) -> AESGCM:
    return AESGCM(key)


def _written(raw: bytes) -> str:
    return base64.urlsafe_b64encode(raw).rstrip(b"=").decode()


class Blind(Func):
    """The blind part of an encrypted column, for indexes and constraints."""

    template = "split_part(%(expressions)s, ':', 3)"
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
        return f"split_part({sql}, ':', 3)", params

    def process_rhs(self, compiler: Any, connection: Any) -> Any:
        sql, params = super().process_rhs(compiler, connection)  # type: ignore[misc]
        return (sql, params) if self.rhs_is_direct_value() else (f"split_part({sql}, ':', 3)", params)  # type: ignore[attr-defined]


@EncryptedTextField.register_lookup
class _Same(_ByBlind, Exact):
    lookup_name = "exact"

    def get_prep_lookup(self) -> Any:
        is_text = isinstance(self.rhs, str)
        return (blind(self.rhs) if self.rhs else "") if is_text else super().get_prep_lookup()

    def get_db_prep_lookup(self, value: Any, connection: Any) -> Any:
        return "%s", [value]


@EncryptedTextField.register_lookup
class _OneOf(_ByBlind, In):
    lookup_name = "in"

    def get_prep_lookup(self) -> Any:
        if not self.rhs_is_direct_value():
            return super().get_prep_lookup()
        return [blind(text) if text else "" for text in self.rhs]

    def get_db_prep_lookup(self, value: Any, connection: Any) -> Any:
        return "%s", [*value]
