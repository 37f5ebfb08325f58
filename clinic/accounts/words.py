"""Words of the clinic, which anybody tries first: a password made of them and little else is refused.

The list (OWASP ASVS 5.0, 6.1.2): the words of the clinic's name and of the site's host name, the program's
name, the roles, and what is written on every door of the trade.
"""

import re
from urllib.parse import urlsplit

from django.conf import settings
from django.core.exceptions import ValidationError

from resupply.models import Role

TRADE = (
    *("sleep", "clinic", "apnea", "breath", "airway", "cpap", "mask", "supply", "supplies", "resupply"),
    *("equipment", "patient", "desk", "front", "staff", "therapy", "medical", "health", "care", "center"),
    *("password", "passphrase", "secret", "login", "signin", "welcome", "letmein", "changeme", "evenkeep"),
    *("january", "february", "march", "april", "june", "july", "august", "september", "october", "november"),
    *("december", "spring", "summer", "autumn", "winter", "monday", "friday", "demo"),
)
LETTERS_LEFT = 6
"""So many letters must be left when the words of the list are taken out."""


class WordsOfTheClinic:
    """A password validator."""

    def validate(self, password: str, user: object = None) -> None:
        """Raises ValidationError where hardly more than such words is left."""
        left = password.casefold()
        for word in sorted(words(), key=len, reverse=True):
            left = left.replace(word, " ")
        if len(re.findall(r"[^\W\d_]", left)) < LETTERS_LEFT and left != password.casefold():
            raise ValidationError(
                "This is made of words that anybody here would try first.", code="our_words"
            )

    def get_help_text(self) -> str:
        """For forms that list what is asked."""
        return "It cannot be made of the clinic's own words alone."


def words() -> set[str]:
    """The list, in lower case; words of less than four letters are left out."""
    host = urlsplit(settings.PUBLIC_URL).hostname or ""
    found = re.findall(r"[^\W\d_]{4,}", f"{settings.CLINIC_NAME} {host}".casefold())
    return {*found, *TRADE, *(role.value for role in Role if len(role.value) >= 4)}
