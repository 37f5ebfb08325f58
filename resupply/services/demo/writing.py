"""The invented patients as rows: written in bulk, each recorded at the hour it would have been."""

from collections.abc import Iterator, Sequence
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from random import Random
from zoneinfo import ZoneInfo

from resupply.models import (
    Channel,
    Consent,
    Coverage,
    Device,
    Dispense,
    DispenseLine,
    Event,
    FindToken,
    Given,
    Humidifier,
    LifeVersion,
    MagnetScreen,
    Notice,
    Order,
    OrderItem,
    Parcel,
    Patient,
    Proof,
    SuppliedBy,
)
from resupply.rules.periods import Period, Unit, add
from resupply.rules.stops import StopCode
from resupply.rules.tables import part_types
from resupply.services.demo.books import Book
from resupply.services.demo.clinic import Clinic, life_of, npi_of, table
from resupply.services.demo.dates import weekday_by
from resupply.services.demo.histories import Gift, Line
from resupply.services.demo.people import Person
from resupply.services.demo.proofs import CARRIER, tell_proofs
from resupply.services.demo.screens import tell_screens
from resupply.services.demo.stock import expiry_of, lot_of
from resupply.services.find_tokens import token_rows

YEAR = Period(12, Unit.MONTH)
ASKED = {
    "yes": "asked at the desk, on paper",
    "no": "asked at the desk: no",
    "withdrawn": "asked by telephone",
}


def write_people(people: Sequence[Person], clinic: Clinic, *, now: datetime) -> list[int]:
    """Write every patient with all that belongs to them, and return their ids."""
    patients = Patient.objects.bulk_create(_patient(person, clinic, now) for person in people)
    books = [
        Book(person, patient, clinic, Random(f"book {person.number}"), now)  # noqa: S311 - no secrets
        for person, patient in zip(people, patients, strict=True)
    ]
    FindToken.objects.bulk_create(row for patient in patients for row in token_rows(patient))
    Coverage.objects.bulk_create(row for book in books for row in _coverage(book))
    Consent.objects.bulk_create(row for book in books for row in _consents(book))
    Device.objects.bulk_create(_device(book) for book in books)
    LifeVersion.objects.bulk_create(row for book in books for row in _lives(book))
    _write_orders(books)
    _write_dispenses(books)
    Event.objects.bulk_create(row for book in books for row in _events(book))
    MagnetScreen.objects.bulk_create(tell_screens(books))
    return [patient.pk for patient in patients]


def _patient(person: Person, clinic: Clinic, now: datetime) -> Patient:
    since = person.history.since
    return Patient(
        reference=person.reference,
        given_name=person.given_name,
        family_name=person.family_name,
        birth_date=person.birth_date,
        email=person.email,
        phone=person.phone,
        address=person.address,
        representative_name=person.representative[0],
        representative_relation=person.representative[1],
        language=person.language,
        time_zone=person.time_zone,
        location=clinic.locations[person.room],
        status=person.story.status,
        therapy_started_on=since,
        cleaning_weekday=(person.number + 6) % 7,
        cleaning_month_day=person.number % 28 + 1,
        created_at=min(
            datetime.combine(since - timedelta(days=21), time(10), ZoneInfo(person.time_zone)), now
        ),
    )


def _coverage(book: Book) -> Iterator[Coverage]:
    """Payers by day; a patient who pays has no row until a payer comes."""
    if book.person.history.payer:
        yield Coverage(
            patient=book.patient,
            payer=book.clinic.payers[book.person.history.payer],
            starts_on=book.first_day,
            **book.mark(book.first_day),
        )
    for since, payer in book.person.history.payers:
        yield Coverage(
            patient=book.patient, payer=book.clinic.payers[payer], starts_on=since, **book.mark(since)
        )


def _consents(book: Book) -> Iterator[Consent]:
    """Mail as the person says; every fourth may also be telephoned."""
    answer, day = book.person.mail, book.person.history.since
    day = min(day, book.person.history.today)
    if answer:
        yield _consent(book, Channel.MAIL, answer != "no", day, ASKED[answer])
    if answer == "withdrawn":
        yield _consent(book, Channel.MAIL, False, book.person.history.ago(60), "wrote that it is too much")
    if book.person.number % 4 == 1:
        yield _consent(book, Channel.PHONE, True, day, "asked at the desk, on paper")


def _consent(book: Book, channel: Channel, granted: bool, day: date, how: str) -> Consent:
    return Consent(
        patient=book.patient, channel=channel, granted=granted, given_on=day, how=how, **book.mark(day)
    )


def _device(book: Book) -> Device:
    """Half the devices adjust themselves within a range of pressures."""
    low = Decimal(book.dice.randrange(10, 22)) / 2
    adjusts = book.person.number % 2 == 0
    day = book.person.history.since
    return Device(
        patient=book.patient,
        description=f"{'Auto-adjusting' if adjusts else 'Fixed-pressure'} PAP device (demo)",
        serial=f"DEMO-{book.person.reference}",
        pressure_low=low,
        pressure_high=low + book.dice.randrange(3, 8) if adjusts else None,
        humidifier=Humidifier(book.person.humidifier),
        supplied_on=day,
        **book.mark(day, book.clinic.therapist),
    )


def _lives(book: Book) -> Iterator[LifeVersion]:
    for own in book.person.history.lives:
        yield LifeVersion(
            patient=book.patient,
            part_code=own.code,
            period_count=own.life.count,
            period_unit=own.life.unit,
            effective_from=own.effective_from,
            reason=own.reason,
            **book.mark(own.effective_from, book.clinic.therapist),
        )


def _write_orders(books: Sequence[Book]) -> None:
    """A prescriber's order for every year of therapy; where therapy ended, none followed."""
    orders: list[Order] = []
    items: list[OrderItem] = []
    for book in books:
        prescribers = table("clinic")["prescriber"]
        prescriber = prescribers[book.person.number % len(prescribers)]
        history, last = book.person.history, max(book.person.history.ends_on, book.person.history.since)
        day = book.first_day + timedelta(days=7)
        while day <= min(last, history.today):
            ordered_on = weekday_by(day)
            order = Order(
                patient=book.patient,
                prescriber_name=prescriber["name"],
                prescriber_npi=npi_of(prescriber["number"]),
                ordered_on=ordered_on,
                ends_on=add(ordered_on, YEAR),
                **book.mark(ordered_on),
            )
            orders.append(order)
            items += [
                OrderItem(
                    order=order,
                    part_code=part.item.code,
                    quantity=part.quantity,
                    period_months=max(3, life_of(part.item.code).count),
                )
                for part in history.kit
            ]
            day = add(day, YEAR)
    Order.objects.bulk_create(orders)
    OrderItem.objects.bulk_create(items)


def _write_dispenses(books: Sequence[Book]) -> None:
    """In the order of the days they were given on, so that numbers follow time."""
    pairs = [(book, gift) for book in books for gift in book.person.history.gifts]
    pairs.sort(key=lambda pair: (pair[1].on, pair[0].person.number))
    dispenses = [_dispense(book, gift) for book, gift in pairs]
    Dispense.objects.bulk_create(dispenses)
    rows: dict[int, DispenseLine] = {}
    swapped: list[tuple[DispenseLine, DispenseLine]] = []
    for (book, gift), dispense in zip(pairs, dispenses, strict=True):
        for position, line in enumerate(gift.lines):
            rows[id(line)] = row = _line(book, gift, dispense, position, line)
            if line.instead_of is not None:
                first = rows[id(line.instead_of)]
                first.voided_at = row.recorded_at
                swapped.append((row, first))
    DispenseLine.objects.bulk_create(rows.values())
    for row, first in swapped:
        row.exchange_of = first
    DispenseLine.objects.bulk_update([row for row, _ in swapped], ["exchange_of"])
    given = [(book, dispense) for (book, _), dispense in zip(pairs, dispenses, strict=True)]
    Proof.objects.bulk_create(tell_proofs(given))


def _dispense(book: Book, gift: Gift) -> Dispense:
    shipped = gift.elsewhere or gift.lost_on is not None or book.dice.random() < 0.3
    tracking = f"DEMO-{book.dice.randrange(10**7):07}" if shipped and not gift.elsewhere else ""
    row = Dispense(
        patient=book.patient,
        location=book.patient.location,
        dispensed_on=gift.on,
        given=Given.SHIPPED if shipped else Given.IN_PERSON,
        supplied_by=SuppliedBy.ELSEWHERE if gift.elsewhere else SuppliedBy.US,
        carrier=CARRIER if tracking else "",
        tracking_id=tracking,
        delivery_address=book.patient.address if tracking else "",
        parcel=Parcel.LOST if gift.lost_on else "",
        parcel_on=gift.lost_on,
        **book.mark(gift.on),
    )
    _void(row, gift.void_reason, book)
    if gift.lost_on:
        row.voided_at = book.at(gift.lost_on)
    return row


def _line(book: Book, gift: Gift, dispense: Dispense, position: int, line: Line) -> DispenseLine:
    """A row as it was recorded; what others supplied was billed by them, which we do not know."""
    item = book.clinic.shelf[line.item]
    payer_id = book.payer_on(gift.on) if line.is_billed and not gift.elsewhere else None
    owes_notice = bool(line.exception_reason) and payer_id is not None
    row = DispenseLine(
        dispense=dispense,
        position=position,
        item=None if gift.elsewhere else item,
        part_code=item.part_code,
        kind=part_types()[item.part_code].kind,
        quantity=line.quantity,
        lot="" if gift.elsewhere else lot_of(item, gift.on),
        expires_on=expiry_of(item, gift.on),
        first_use_on=line.first_use_on,
        billed=payer_id is not None,
        billed_to_id=payer_id,
        family=item.family,
        contains=item.contains,
        exception_reason=line.exception_reason,
        exception_stops=[StopCode.TOO_EARLY.value] if line.exception_reason else [],
        notice=Notice.GIVEN if owes_notice else "",
        notice_on=gift.on if owes_notice else None,
        recorded_at=dispense.recorded_at,
        recorded_by_id=dispense.recorded_by_id,
    )
    _void(row, gift.void_reason or line.void_reason, book)
    if gift.lost_on:
        row.voided_at = dispense.voided_at
    return row


def _void(row: Dispense | DispenseLine, reason: str, book: Book) -> None:
    """Taken back within two hours of recording."""
    if reason:
        row.voided_at = min(row.recorded_at + timedelta(minutes=book.dice.randrange(5, 120)), book.now)
        row.voided_by_id, row.void_reason = book.clinic.desk.pk, reason


def _events(book: Book) -> Iterator[Event]:
    for happening in book.person.history.happenings:
        yield Event(
            patient=book.patient,
            event=happening.event,
            kind=happening.kind,
            on=happening.on,
            until=happening.until,
            family=happening.family,
            by_patient=happening.by_patient,
            **book.mark(happening.on, book.clinic.therapist if happening.family else None),
        )
