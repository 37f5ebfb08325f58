"""Patient search as someone types: the query and the whole page, rare words and common ones, for staff of all
locations and of some.
"""

from collections.abc import Callable, Iterator
from functools import partial

from django.db.models import Count
from django.test import Client
from django.urls import reverse

from benchmarks import databases, population
from benchmarks.measure import Result, Times, shown, timed
from clinic.accounts.models import User
from resupply.models import Location, Patient, PatientStatus, Role, Staff
from resupply.queries.finding import find_patients
from resupply.services.find_tokens import fold

MOST = 50.0
"""Milliseconds a search may take, at a million patients."""


def run(sizes: tuple[int, ...]) -> Iterator[Result | str]:
    """The slowest case at the largest size against 50 ms, and against itself at the size below."""
    taken: dict[tuple[str, int], dict[str, Times]] = {}
    below, largest = sizes[-2:]
    for size in (below, largest):
        databases.use(size)
        for place, at in places().items():
            for what, work in (("search", _search(at)), ("search page", _post(at))):
                times = taken[f"{what}, {place}", size] = {}
                for case, typed in cases().items():
                    times[case] = timed(partial(work, typed))
                    yield f"{what}, {size:,} patients, {place}, {case}: {times[case]}"
    for what in dict.fromkeys(what for what, _ in taken):
        yield from _compared(what, taken[what, below], taken[what, largest], below, largest)


def _compared(
    what: str, before: dict[str, Times], now: dict[str, Times], below: int, largest: int
) -> Iterator[Result]:
    """The slowest case and the one that grows most: on the clock, and by processor time, which a busy machine
    hardly changes.
    """
    for by, taken in (("on the clock", _median), ("processor", _processor)):
        slowest = max(now, key=lambda case: taken(now[case]))
        title = f"{what}, {by}, slowest case at {largest:,} patients ({slowest})"
        was = max(taken(times) for times in before.values())
        yield Result(title, taken(now[slowest]), MOST, "limit in ms", 1)
        yield Result(title, taken(now[slowest]), was, f"slowest at {below:,}", 2)
        grows = max(now, key=lambda case: taken(now[case]) / taken(before[case]))
        title = f"{what}, {by}, case that grows most to {largest:,} patients ({grows})"
        yield Result(title, taken(now[grows]), taken(before[grows]), f"at {below:,}", 2)


def _median(times: Times) -> float:
    return round(times.median, 2)


def _processor(times: Times) -> float:
    return round(times.cpu, 2)


def places() -> dict[str, list[int]]:
    """Ids of the locations that staff may work at, by what is shown; none: all of them."""
    by_size = list(
        Location.objects.annotate(number=Count("patients")).order_by("number").values_list("pk", flat=True)
    )
    return {
        "all locations": [],
        "smallest location": by_size[:1],
        "largest location": by_size[-1:],
        "five small locations": by_size[:5],
        "all locations but the smallest": by_size[1:],
    }


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
        "one rare and one very common beginning": "cl 19",
        "two rare beginnings": f"{given[40][:3]} {family[60][:3]}",
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


def _search(at: list[int]) -> Callable[[str], object]:
    """The search alone, for staff of some locations."""
    seen = Patient.objects.exclude(status=PatientStatus.WITHDRAWN)
    among = seen.filter(location__in=at) if at else seen
    return lambda typed: find_patients(among, fold(typed).split(), at=at)


def _post(at: list[int]) -> Callable[[str], object]:
    """The view, as the field's script sends it: sign-in, search and list."""
    user, _ = User.objects.get_or_create(username=f"bench-{len(at)}-{at[:1]}")
    staff, _ = Staff.objects.get_or_create(user=user, role=Role.DESK)
    staff.locations.set(at)
    client = Client(headers={"HX-Request": "true"})
    client.force_login(user)
    address = reverse("desk:find")

    def post(typed: str) -> None:
        shown(client.post(address, {"q": typed}))

    return post
