"""What the invented patients said about implants and objects: most no, some long ago, a few a yes.

One patient with a yes in the household holds a magnetic mask and has not been reached: the urgent call.
"""

from collections.abc import Iterator, Sequence
from datetime import date

from resupply.models import Magnetic, MagnetScreen, PatientStatus
from resupply.rules.magnets import Person, Said, implants, said_of
from resupply.rules.periods import Period, Unit, add
from resupply.services.demo.books import Book
from resupply.services.demo.histories import History
from resupply.services.records import stamp

_YEAR = Period(12, Unit.MONTH)
Answers = dict[str, Said]


def tell_screens(books: Sequence[Book]) -> list[MagnetScreen]:
    """Screens of all patients, in the order of the days they were asked on."""
    urgent = next(book for book in books if _is_urgent(book))
    rows = [row for book in books for row in _screens(book, is_urgent=book is urgent)]
    return sorted(rows, key=lambda row: (row.recorded_at, row.patient_id))


def _screens(book: Book, *, is_urgent: bool) -> Iterator[MagnetScreen]:
    """One patient's: asked when therapy started, and every year since by most."""
    number, history = book.person.number, book.person.history
    if number % 15 == 14:  # nobody has asked
        return
    if is_urgent:
        yield _screen(book, history.since)
        yield _screen(book, history.ago(2), close={"hearing_implant": Said.YES})
    elif number % 9 == 4 and not _magnets(book):  # a yes, and parts without magnets
        yield _screen(book, history.since, wearer={"pacemaker": Said.YES})
        yield _screen(book, _last_year(history), wearer={"pacemaker": Said.YES})
    elif number % 15 == 11:  # not known
        yield _screen(book, history.since, close={"joint_replacement": Said.UNKNOWN})
    elif number == 6:  # cleared by the therapist
        yield _screen(book, history.since, close={"pump_or_port": Said.YES})
        yield _screen(book, history.ago(40), cleared="The port was taken out; letter of the hospital seen.")
    elif number % 10 == 8:  # asked once, long ago
        yield _screen(book, history.since)
    else:
        yield _screen(book, history.since, wearer={"cataract_lens": Said.YES} if number % 8 == 3 else None)
        yield _screen(book, _last_year(history))


def _magnets(book: Book) -> list[tuple[date, str]]:
    """The days on which parts that hold magnets, or may, were given, and which of the two."""
    shelf = book.clinic.shelf
    given = [(gift, line) for gift in book.person.history.gifts for line in gift.lines]
    return [
        (gift.on, Magnetic.UNKNOWN if gift.elsewhere else shelf[line.item].magnetic)
        for gift, line in given
        if (gift.elsewhere or shelf[line.item].magnetic != Magnetic.NO)
        and not (gift.void_reason or line.void_reason)
    ]


def _is_urgent(book: Book) -> bool:
    """Whether a patient on therapy, but the first, was lately given a part that surely holds magnets."""
    given, history = _magnets(book), book.person.history
    is_certain = {magnetic for _, magnetic in given} == {Magnetic.YES}
    on_therapy = book.person.story.status == PatientStatus.ON_THERAPY
    return book.person.number > 0 and on_therapy and is_certain and max(given)[0] > history.ago(90)


def _last_year(history: History) -> date:
    """The last day so many years after the start of therapy that has come, a weekday or near one."""
    day, years = history.since, 0
    while (following := add(history.since, _YEAR, years + 1)) <= history.today:
        day, years = following, years + 1
    return day


def _screen(
    book: Book, day: date, *, wearer: Answers | None = None, close: Answers | None = None, cleared: str = ""
) -> MagnetScreen:
    """A screen with no everywhere else."""
    day = min(day, book.person.history.today)
    said = {
        person: dict.fromkeys(implants(), Said.NO) | (yes or {})
        for person, yes in ((Person.WEARER, wearer), (Person.CLOSE_CONTACT, close))
    }
    return MagnetScreen(
        patient=book.patient,
        asked_on=day,
        wearer=said_of(said[Person.WEARER]).value,
        close_contact=said_of(said[Person.CLOSE_CONTACT]).value,
        details={
            "kept": {},
            **{
                person.value: {code: answer.value for code, answer in answers.items()}
                for person, answers in said.items()
            },
        },
        cleared_reason=cleared,
        **stamp(book.clinic.therapist if cleared else book.clinic.desk, book.at(day)),
    )
