"""What django-allauth asks us: nobody signs up here, secrets of second steps lie encrypted, our name."""

import hmac
import os
from base64 import urlsafe_b64decode, urlsafe_b64encode

from allauth.account.adapter import DefaultAccountAdapter
from allauth.mfa.adapter import DefaultMFAAdapter
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from django.conf import settings
from django.http import HttpRequest

_NONCE = 12


class Accounts(DefaultAccountAdapter):  # type: ignore[misc]
    """Accounts come by invitation alone."""

    def is_open_for_signup(self, request: HttpRequest) -> bool:
        """Never."""
        return False


class SecondSteps(DefaultMFAAdapter):  # type: ignore[misc]
    """Keys of authenticator apps and recovery codes.

    They lie under a key that comes from INDEX_KEY, which stays when data keys change: nobody must be shut out
    by a rotation. A code is worth as much as the password beside it.
    """

    def encrypt(self, text: str) -> str:
        """AES-256-GCM with a random nonce."""
        nonce = os.urandom(_NONCE)
        return urlsafe_b64encode(nonce + _cipher().encrypt(nonce, text.encode(), None)).decode()

    def decrypt(self, encrypted_text: str) -> str:
        """What `encrypt` was given."""
        raw = urlsafe_b64decode(encrypted_text)
        return _cipher().decrypt(raw[:_NONCE], raw[_NONCE:], None).decode()

    def get_totp_issuer(self) -> str:
        """The clinic's name, as the app shows it."""
        return str(settings.CLINIC_NAME)

    def _get_site_name(self) -> str:
        return str(settings.CLINIC_NAME)


def _cipher() -> AESGCM:
    return AESGCM(hmac.digest(settings.INDEX_KEY, b"second steps of sign-in", "sha256"))
