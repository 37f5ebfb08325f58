"""The invented patients themselves: who they are, what they use, and the telling of their stories."""

from dataclasses import dataclass
from datetime import date, timedelta
from random import Random

from resupply.models import Language
from resupply.rules.kinds import Kind
from resupply.services.demo.clinic import SIZES, table
from resupply.services.demo.dates import is_weekday
from resupply.services.demo.histories import History, Part, quarters_before
from resupply.services.demo.kits import STYLES, kit_of
from resupply.services.demo.stories import STORIES, Story
from resupply.services.find_tokens import fold

SIGNATURE_REFERENCE = "1047"
_OTHERS = [str(number) for number in range(1001, 1061) if str(number) != SIGNATURE_REFERENCE]
_USUAL_PAYERS = ("Payer A", "Payer A", "Payer B", "Payer B", "Payer C", "Payer D", "")


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """One invented patient: fields of the record, and the history behind it. `room` counts from 0."""

    number: int
    reference: str
    given_name: str
    family_name: str
    birth_date: date
    room: int
    phone: str
    email: str
    address: str
    language: str
    time_zone: str
    representative: tuple[str, str]
    mail: str
    """Consent to mail: `yes`, `no`, `withdrawn`, or empty where nobody asked."""
    humidifier: str
    story: Story
    history: History


def tell_all(*, today: date) -> list[Person]:
    """Every invented patient with a history up to a day; the same day gives the same patients."""
    return [_person(number, story, today) for number, story in enumerate(STORIES)]


def _person(number: int, story: Story, today: date) -> Person:
    dice = Random(f"juniper bend {number}")  # noqa: S311 - invented people, no secrets
    given, family = table("people")["names"][number]
    room = 0 if number == 0 else int(number % 5 > 2)
    place = table("clinic")["location"][room]
    humidifier = "none" if number % 9 == 4 else "passive" if number % 9 == 7 else "heated"
    history = _history(number, story, today, dice, humidifier=humidifier)
    story.tell(history)
    has_mail = number % 12 != 5
    return Person(
        number=number,
        reference=reference_of(number),
        given_name=given,
        family_name=family,
        birth_date=_birth_date(number, history.since, dice),
        room=room,
        phone=f"+1 {place['area']} 555 {101 + number:04}",
        email=f"{_mailbox(given)}.{_mailbox(family)}@patients.example" if has_mail else "",
        address=f"{dice.randrange(2, 90)} {dice.choice(place['streets'])}\nJuniper Bend (demo)",
        language=Language.SPANISH if given in table("people")["spanish"] else Language.ENGLISH,
        time_zone={20: "America/Phoenix", 33: "America/New_York"}.get(number, place["time_zone"]),
        representative=_representative(number, family),
        mail=_consent(number) if has_mail else "",
        humidifier=humidifier,
        story=story,
        history=history,
    )


def reference_of(number: int) -> str:
    """The clinic's reference of a patient: 1047 for the first, the others in no order a story shows in."""
    return SIGNATURE_REFERENCE if number == 0 else _OTHERS[number * 23 % len(_OTHERS)]


def _history(number: int, story: Story, today: date, dice: Random, *, humidifier: str) -> History:
    """The frame of a story: kit, payer, and when the quarters end."""
    payer = story.payer if story.payer is not None else dice.choice(_USUAL_PAYERS)
    ends_on, quarters = _quarters(story, today, dice)
    weekday = is_weekday(quarters_before(ends_on, quarters))
    return History(
        today=today,
        dice=dice,
        kit=_kit(number, story, dice, weekday=weekday, humidifier=humidifier),
        ends_on=ends_on,
        quarters=quarters,
        payer=payer,
        most_early=6 if payer == "Payer C" else 9,
        half_billed=frozenset({Kind.MASK}) if payer == "Payer C" else frozenset(),
    )


def _kit(number: int, story: Story, dice: Random, *, weekday: bool, humidifier: str) -> list[Part]:
    """What the patient uses. A complete mask is started with on the day it is given: on a weekday."""
    return kit_of(
        story.style or dice.choice(STYLES[:4]),
        size=dice.choice(SIZES) if number else "M",
        complete=story.complete and weekday,
        heated=humidifier == "heated",
        humidifier=humidifier != "none",
        reusable=story.reusable,
        chin_strap=story.chin_strap,
    )


def _quarters(story: Story, today: date, dice: Random) -> tuple[date, int]:
    """The day the quarterly supply ends, and the number of quarters; therapy starts on a weekday if it can.

    A day up to the 28th is taken where there is a choice: months later it is still that day.
    """
    least, most = story.ends
    days = [today + timedelta(days=days) for days in range(least, most + 1)]
    counts = [story.quarters, story.quarters - 1, story.quarters + 1] if story.quarters > 1 else [1]
    choices = [
        (day, count)
        for count in counts
        for day in days
        if day.day <= 28 and is_weekday(quarters_before(day, count))
    ]
    usual = [choice for choice in choices if choice[1] == story.quarters]
    return dice.choice(usual or choices or [(days[0], story.quarters)])


def _birth_date(number: int, since: date, dice: Random) -> date:
    """Adults of 29 to 84 years when therapy started."""
    if number == 0:
        return date(1961, 2, 4)
    return date(since.year - dice.randrange(29, 85), dice.randrange(1, 13), dice.randrange(1, 29))


def _mailbox(name: str) -> str:
    """A name as part of a mail address."""
    return "".join(letter for letter in fold(name) if letter.isalnum() and letter.isascii())


def _representative(number: int, family: str) -> tuple[str, str]:
    """Who acts for a patient, and as what."""
    found = {8: ("Corin", "son"), 27: ("Liv", "daughter"), 39: ("Noor", "holder of a power of attorney")}
    given, relation = found.get(number, ("", ""))
    return (f"{given} {family}", relation) if given else ("", "")


def _consent(number: int) -> str:
    """Most said yes, a few no; some took it back, some were never asked."""
    return {7: "", 9: "no", 3: "withdrawn", 14: "", 21: "no", 31: "withdrawn", 37: "", 44: ""}.get(
        number, "yes"
    )
