"""Finding a patient: words in any order, without accents, by birth date, phone ending or reference."""

from datetime import date
from functools import partial
from random import Random

import pytest
from pytest_django import DjangoAssertNumQueries

from resupply.models import Location, Patient
from resupply.queries.finding import LOOKED_AT, MOST_FOUND, find_patients, phone_words
from resupply.services.find_tokens import find_tokens, fold
from tests.builders import make_location, make_patient
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


def test_a_short_name_typed_to_its_end_comes_before_those_it_begins(cast: Cast) -> None:
    for number in range(40):
        make_patient(given_name="Li", family_name=f"Mary{number}")
    short = make_patient(given_name="Li", family_name="Ma")
    assert find_patients(Patient.objects.all(), ["li", "ma"], looked_at=15)[0] == short


def test_only_among_the_patients_one_may_see(cast: Cast) -> None:
    mine, at = Patient.objects.filter(location=cast.south), [cast.south.pk]
    assert find_patients(mine, ["brandt"], at=at) == []
    assert find_patients(mine, ["okafor"], at=at) == [cast.tevin]
    assert find_patients(mine, ["brandt"]) == []  # `among` decides, whatever is searched


def test_a_patient_who_moved_is_found_at_the_new_location_only(cast: Cast) -> None:
    def found_at(location: Location) -> list[Patient]:
        return find_patients(Patient.objects.filter(location=location), ["bra", "od"], at=[location.pk])

    assert (found_at(cast.north), found_at(cast.south)) == ([cast.odalys], [])
    Patient.objects.filter(pk=cast.odalys.pk).update(location=cast.south)  # no service: the trigger does it
    assert (found_at(cast.north), found_at(cast.south)) == ([], [cast.odalys])
    assert set(cast.odalys.find_tokens.values_list("location", flat=True)) == {cast.south.pk}


def _fit(tokens: frozenset[str], words: list[str]) -> bool:
    return all(any(token.startswith(word) for token in tokens) for word in words)


def _place(words: list[str], tokens: dict[Patient, frozenset[str]], one: Patient) -> tuple[object, ...]:
    return (not tokens[one].issuperset(words), one.family_name, one.given_name, one.pk)


@pytest.mark.parametrize("looked_at", [LOOKED_AT, 5, 1])
def test_it_finds_whom_a_look_at_every_patient_finds(cast: Cast, looked_at: int) -> None:
    """The search by indexes, cut short early or late, against its meaning in one line."""
    dice = Random(7)
    locations = [cast.north, cast.south, make_location()]
    names = ["Ana", "Anna", "Ann", "Maria", "Mar", "Marsh", "Li", "Lin", "Nuñez", "Le", "Ana María"]
    for number in range(70):
        make_patient(
            reference=f"{100 + number}",
            given_name=dice.choice(names),
            family_name=dice.choice(names),
            birth_date=date(1950 + dice.randrange(4), 1 + dice.randrange(3), 1 + dice.randrange(28)),
            phone=f"555-0{dice.randrange(100, 120)}",
            location=dice.choice(locations),
        )
    everyone = Patient.objects.all()
    tokens = {patient: find_tokens(patient) for patient in everyone.select_related("location")}
    beginnings = sorted({token[: dice.randrange(1, 6)] for some in tokens.values() for token in some})
    for staff_of in (locations, locations[1:2], locations[1:]):
        at = [] if staff_of is locations else [location.pk for location in staff_of]
        among = everyone.filter(location__in=at) if at else everyone
        may_see = {patient for patient in tokens if patient.location in staff_of}
        for _ in range(40):
            words = dice.sample(beginnings, dice.randrange(1, 4))
            holds: list[Patient] = []
            for way in [words, *phone_words(words)]:  # `01/19` may be the end of a telephone number, too
                more = [p for p in may_see if p not in holds and _fit(tokens[p], way)]
                holds += sorted(more, key=partial(_place, way, tokens))
            got = find_patients(among, words, at=at, looked_at=looked_at)
            assert len(got) == len(set(got)) == min(len(holds), MOST_FOUND), words
            assert set(got) <= set(holds)
            whole = [p for p in holds if tokens[p].issuperset(words)]
            if len(whole) <= MOST_FOUND:
                assert got[: len(whole)] == whole, words
            if len(holds) <= MOST_FOUND or (looked_at == LOOKED_AT and len(holds) < 50):
                assert got == holds[:MOST_FOUND], words


def test_a_few_queries_however_many_patients_match(
    cast: Cast, django_assert_max_num_queries: DjangoAssertNumQueries
) -> None:
    for number in range(40):
        make_patient(given_name="Ann", family_name=f"Lind{number}")
    with django_assert_max_num_queries(6):
        assert len(find_patients(Patient.objects.all(), ["ann", "li"])) == MOST_FOUND
