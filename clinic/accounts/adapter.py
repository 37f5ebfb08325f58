"""What django-allauth asks us: nobody signs up here, secrets of second steps lie encrypted, our name."""

import hmac
import os
from base64 import urlsafe_b64decode, urlsafe_b64encode
from collections.abc import Iterator
from contextlib import suppress
from typing import Any

from allauth.account.adapter import DefaultAccountAdapter
from allauth.mfa.adapter import DefaultMFAAdapter
from allauth.mfa.models import Authenticator
from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from django.conf import settings
from django.db import transaction
from django.http import HttpRequest

_NONCE = 12


class Accounts(DefaultAccountAdapter):  # type: ignore[misc]
    """Accounts come by invitation alone."""

    def is_open_for_signup(self, request: HttpRequest) -> bool:
        """Never."""
        return False


class SecondSteps(DefaultMFAAdapter):  # type: ignore[misc]
    """Keys of authenticator apps and recovery codes.

    They lie under a key that comes from the newest INDEX_KEY, and are read under any: nobody is shut out
    while one is changed. A code is worth as much as the password beside it.
    """

    def encrypt(self, text: str) -> str:
        """AES-256-GCM with a random nonce."""
        nonce = os.urandom(_NONCE)
        sealed = _ciphers()[0].encrypt(nonce, text.encode(), None)
        return urlsafe_b64encode(nonce + sealed).decode()

    def decrypt(self, encrypted_text: str) -> str:
        """What `encrypt` was given. Raises InvalidTag where no key fits."""
        for cipher in _ciphers():
            with suppress(InvalidTag):
                return _read(cipher, encrypted_text)
        raise InvalidTag

    def get_totp_issuer(self) -> str:
        """The clinic's name, as the app shows it."""
        return str(settings.CLINIC_NAME)

    def _get_site_name(self) -> str:
        return str(settings.CLINIC_NAME)


def _ciphers() -> list[AESGCM]:
    """One for each index key, the newest first."""
    what = b"second steps of sign-in"
    return [AESGCM(hmac.digest(key, what, "sha256")) for key in settings.INDEX_KEYS]


def _read(cipher: AESGCM, encrypted: str) -> str:
    raw = urlsafe_b64decode(encrypted)
    return cipher.decrypt(raw[:_NONCE], raw[_NONCE:], None).decode()


def rotate() -> int:
    """Encrypt second steps anew that lie under an older key; how many there were."""
    steps, done = SecondSteps(), 0
    for pk in [row.pk for row in _older()]:
        with transaction.atomic():
            row = Authenticator.objects.select_for_update().filter(pk=pk).first()
            if row is None:  # removed meanwhile
                continue
            row.data |= {name: steps.encrypt(steps.decrypt(row.data[name])) for name in _in(row)}
            row.save(update_fields=["data"])
        done += 1
    return done


def left() -> int:
    """How many second steps lie under an older key."""
    return sum(1 for _ in _older())


def _older() -> Iterator[Any]:
    """Second steps under an older key."""
    for row in Authenticator.objects.order_by("pk").iterator(chunk_size=500):
        if any(not _is_newest(row.data[name]) for name in _in(row)):
            yield row


def _in(row: Any) -> list[str]:
    """What is encrypted in a second step: an app's key, the seed of recovery codes."""
    return [name for name in ("secret", "seed") if name in row.data]


def _is_newest(encrypted: str) -> bool:
    with suppress(InvalidTag):
        _read(_ciphers()[0], encrypted)
        return True
    return False
