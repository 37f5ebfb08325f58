"""Patient search as someone types: the query and the whole page, rare words and common ones."""

from collections.abc import Callable, Iterator
from functools import partial

from django.db.models import Count
from django.test import Client
from django.urls import reverse

from benchmarks import databases, population
from benchmarks.measure import Result, Times, slowest, timed
from clinic.accounts.models import User
from resupply.models import Location, Patient, Role, Staff
from resupply.queries.finding import find_patients
from resupply.services.people import fold

MOST = 50.0
"""Milliseconds a search may take, at a million patients."""


def run(sizes: tuple[int, ...]) -> Iterator[Result | str]:
    """The slowest case at the largest size against 50 ms, and against itself at the size below."""
    queries: dict[int, dict[str, Times]] = {}
    views: dict[int, dict[str, Times]] = {}
    for size in sizes[-2:]:
        databases.use(size)
        queries[size], views[size] = {}, {}
        for case, typed, search in _searches():
            queries[size][case] = timed(partial(search, typed))
            yield f"search, {size:,} patients, {case}: {queries[size][case]}"
        for case, typed, post in _posts():
            views[size][case] = timed(partial(post, typed))
            yield f"search page, {size:,} patients, {case}: {views[size][case]}"
    below, largest = sizes[-2:]
    everywhere, smallest = _split(queries)
    for what, by_size in (
        ("search, slowest query", everywhere),
        ("search, slowest query at the smallest location", smallest),
        ("search, slowest page", views),
    ):
        now = slowest(by_size[largest])
        yield Result(f"{what} at {largest:,} patients", now, MOST, "limit in ms", 1)
        yield Result(f"{what} at {largest:,} patients", now, slowest(by_size[below]), f"at {below:,}", 2)


def _split(by_size: dict[int, dict[str, Times]]) -> list[dict[int, dict[str, Times]]]:
    """Searches among all patients, and among those of the smallest location."""
    return [
        {
            size: {case: times for case, times in of.items() if case.endswith("smallest location") is few}
            for size, of in by_size.items()
        }
        for few in (False, True)
    ]


def cases() -> dict[str, str]:
    """What is typed, by the reason it is tried."""
    given, family = population.names("given"), population.names("family")
    someone = Patient.objects.get(pk=Patient.objects.count() // 2)
    born = someone.birth_date
    return {
        "common family name": family[0],
        "rare family name": family[5000],
        "three letters": family[0][:3],
        "one letter": "m",
        "one digit": "1",
        "common names, whole": f"{given[0]} {family[0]}",
        "common names, other order": f"{family[1]} {given[1]}",
        "common beginnings": "ma ma",
        "two very common beginnings": "m s",
        "common beginning, whole common name": f"{given[0]} s",
        "common given, rare family name": f"{given[0]} {family[7000]}",
        "two common given names": f"{given[0]} {given[1]}",
        "three beginnings": "m s 19",
        "accents left out": fold("José García Prado"),
        "birth date, ISO": born.isoformat(),
        "birth date, month first": f"{born.month}/{born.day}/{born.year}",
        "birth date and initial": f"{born.isoformat()} {someone.family_name[0]}",
        "year of birth": f"{born.year}",
        "year of birth and common name": f"{born.year} {given[0]}",
        "two months (nobody)": "1/ 2/",
        "two years (nobody)": "1961- 1962-",
        "end of the phone number": someone.phone[-4:],
        "whole phone number": "".join(filter(str.isdigit, someone.phone)),
        "end of the phone number and initial": f"{someone.phone[-4:]} {someone.given_name[0]}",
        "reference": someone.reference,
        "beginning of the reference": someone.reference[:3],
        "nobody": "zzqx",
        "nobody, with a common name": f"zzqx {given[0]}",
    }


def _searches() -> Iterator[tuple[str, str, Callable[[str], object]]]:
    """Every case among all patients, and the common ones for staff of the smallest location."""
    everyone = Patient.objects.all()
    smallest = Location.objects.annotate(number=Count("patients")).earliest("number")
    few = Patient.objects.filter(location__in=[smallest.pk])
    for case, typed in cases().items():
        yield case, typed, lambda text: find_patients(everyone, fold(text).split())
        if "common" in case or "letter" in case or "nobody" in case:
            yield f"{case}, smallest location", typed, lambda text: find_patients(few, fold(text).split())


def _posts() -> Iterator[tuple[str, str, Callable[[str], object]]]:
    """Every case through the view, as the field's script sends it: sign-in, search and list."""
    user, _ = User.objects.get_or_create(username="bench")
    Staff.objects.get_or_create(user=user, role=Role.DESK)
    client = Client(headers={"HX-Request": "true"})
    client.force_login(user)
    address = reverse("desk:find")

    def post(typed: str) -> None:
        answer = client.post(address, {"q": typed})
        if answer.status_code != 200:
            raise RuntimeError(f"the search page answered {answer.status_code}")

    for case, typed in cases().items():
        yield case, typed, post
