"""Find tokens: the words a patient is found by (`queries.finding`), kept with every change of a patient."""

import re
import unicodedata

from resupply.models import FindToken, Patient
from resupply.queries.finding import PHONE_ENDS, phone_token


def find_tokens(patient: Patient) -> frozenset[str]:
    """Words a patient is found by: name parts, reference, birth date as typed in several ways, phone endings.

    Birth dates: 1961-02-04, 02/04/1961, 2/4/1961 (month first). Phone: all digits, and the last 10, 7 and 4,
    as keyed hashes: the number itself lies encrypted.
    """
    born = patient.birth_date
    words = fold(f"{patient.given_name} {patient.family_name}").split()
    parts = [part for word in words for part in [word, *re.split(r"[-'’.]", word)]]
    digits = re.sub(r"\D", "", patient.phone)
    endings = {digits, *(digits[-length:] for length in PHONE_ENDS if len(digits) >= length)} - {""}
    dates = [
        born.isoformat(),
        f"{born.month:02}/{born.day:02}/{born.year:04}",
        f"{born.month}/{born.day}/{born.year}",
    ]
    tokens = [*parts, *fold(patient.reference).split(), *dates, *map(phone_token, endings)]
    return frozenset(token[:80] for token in tokens if token)


def token_rows(patient: Patient) -> list[FindToken]:
    """The rows a saved patient is found by, not saved."""
    return [
        FindToken(patient=patient, location_id=patient.location_id, token=token)
        for token in sorted(find_tokens(patient))
    ]


def write_tokens(patient: Patient) -> None:
    """Make the stored tokens of a patient equal their own. Two or three statements."""
    wanted = {row.token: row for row in token_rows(patient)}
    stored = set(FindToken.objects.filter(patient=patient).values_list("token", flat=True))
    FindToken.objects.filter(patient=patient, token__in=stored - wanted.keys()).delete()
    FindToken.objects.bulk_create(row for token, row in wanted.items() if token not in stored)


def fold(text: str) -> str:
    """Lower case without accents: what is stored to be found, and what is typed to find it."""
    spread = unicodedata.normalize("NFKD", text.casefold().translate(_UNDECOMPOSED))
    return "".join(letter for letter in spread if not unicodedata.combining(letter))


_UNDECOMPOSED = str.maketrans({"ø": "o", "đ": "d", "ð": "d", "ł": "l", "æ": "ae", "œ": "oe", "þ": "th"})
"""Letters that Unicode does not take apart, as they are typed on a keyboard that lacks them."""
