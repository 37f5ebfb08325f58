"""Finding a patient: words in any order, without accents, by birth date, phone ending or reference."""

import pytest

from resupply.models import Patient
from resupply.queries.finding import MOST_FOUND, find_patients
from resupply.services.people import fold
from tests.builders import make_patient
from tests.cast import Cast


def found(typed: str) -> list[str]:
    return [patient.reference for patient in find_patients(Patient.objects.all(), fold(typed).split())]


@pytest.mark.parametrize(
    ("typed", "references"),
    [
        ("brandt", ["1047"]),
        ("BRANDT odal", ["1047"]),
        ("od bra", ["1047"]),
        ("1961-02-04", ["1047"]),
        ("2/4/1961 brandt", ["1047"]),
        ("02/04/1961", ["1047"]),
        ("1961", ["1047"]),
        ("0142", ["1047"]),
        ("5550142", ["1047"]),
        ("3035550142", ["1047"]),
        ("1047", ["1047"]),
        ("tevin brandt", []),
        ("randt", []),
        ("", []),
        ("%", []),
        ("_", []),
    ],
)
def test_words(cast: Cast, typed: str, references: list[str]) -> None:
    assert found(typed) == references


def test_an_accented_name_is_found_without_its_accent(cast: Cast) -> None:
    make_patient(reference="9", given_name="Åse", family_name="Núñez")
    assert found("nunez ase") == ["9"]
    assert found("Núñez") == ["9"]


def test_whole_words_come_before_beginnings_and_the_list_is_short(cast: Cast) -> None:
    for number in range(15):
        make_patient(reference=f"L{number:02}", given_name="Ann", family_name=f"Li{chr(97 + number)}")
    make_patient(reference="LI", given_name="Zed", family_name="Li")
    first, *others = found("li")
    assert first == "LI"
    assert others == [f"L{number:02}" for number in range(MOST_FOUND - 1)]


def test_only_among_the_patients_one_may_see(cast: Cast) -> None:
    mine = Patient.objects.filter(location=cast.south)
    assert find_patients(mine, ["brandt"]) == []
    assert find_patients(mine, ["okafor"]) == [cast.tevin]
