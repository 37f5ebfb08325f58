"""Telephone numbers as a gateway takes them: E.164 (ITU-T E.164: `+`, country code, at most 15 digits)."""

import phonenumbers
from django.conf import settings
from phonenumbers import NumberParseException, PhoneNumberFormat, PhoneNumberType

_TAKES_TEXTS = frozenset(
    {
        PhoneNumberType.MOBILE,
        # Where landlines and mobile phones look alike (as in the US), nobody can tell before sending.
        PhoneNumberType.FIXED_LINE_OR_MOBILE,
        PhoneNumberType.PERSONAL_NUMBER,
    }
)


class NumberError(ValueError):
    """A number that no text can be sent to; `code` is `empty`, `unknown`, `extension` or `landline`."""

    def __init__(self, code: str) -> None:
        super().__init__(code)
        self.code = code


WORDS = {
    "empty": "There is no phone number on record. Enter a mobile number first.",
    "unknown": "This is not a whole phone number. Enter it with its area code, such as 303 555 0100; a "
    "number of another country begins with + and its country code.",
    "extension": "A number with an extension cannot take text messages. Enter a mobile number.",
    "landline": "This number cannot take text messages: it is a landline or a service number. Enter a mobile "
    "number.",
}
"""What to say to whoever typed such a number."""


def textable(typed: str) -> str:
    """A number in any usual spelling as E.164; without a country code it is one of `PHONE_REGION`.

    Raises NumberError: `empty`, `unknown` (not a number of its country), `extension`, `landline` (or another
    number that takes no texts, where its country's numbers tell).
    """
    if not typed.strip():
        raise NumberError("empty")
    try:
        number = phonenumbers.parse(typed, settings.PHONE_REGION)
    except NumberParseException:
        raise NumberError("unknown") from None
    if not phonenumbers.is_valid_number(number):
        raise NumberError("unknown")
    if number.extension:
        raise NumberError("extension")
    if phonenumbers.number_type(number) not in _TAKES_TEXTS:
        raise NumberError("landline")
    return phonenumbers.format_number(number, PhoneNumberFormat.E164)


def takes_texts(typed: str) -> bool:
    """Whether a text can be sent to a number, as far as anybody can tell before."""
    try:
        textable(typed)
    except NumberError:
        return False
    return True


def shown(number: str) -> str:
    """An E.164 number as people of its country write it; anything else as it is."""
    try:
        parsed = phonenumbers.parse(number, None)
    except NumberParseException:
        return number
    home = phonenumbers.region_code_for_number(parsed) == settings.PHONE_REGION
    style = PhoneNumberFormat.NATIONAL if home else PhoneNumberFormat.INTERNATIONAL
    return phonenumbers.format_number(parsed, style)
