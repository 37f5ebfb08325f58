"""Proof of delivery of what the demo clinic gave: most slips are signed, some are still to be."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import timedelta
from random import Random

from resupply.models import Dispense, Given, Proof, ProofMethod, SuppliedBy
from resupply.services.demo.books import Book

CARRIER = "Parcel post (demo)"


def tell_proofs(given: Sequence[tuple[Book, Dispense]]) -> Iterator[Proof]:
    """A proof of most dispenses, by the patient, by who stands in for them, or by the carrier."""
    dice = {book.patient.pk: Random(f"proof {book.person.number}") for book, _ in given}  # noqa: S311
    for book, dispense in given:
        own = replace(book, dice=dice[book.patient.pk])
        luck, days = own.dice.random(), own.dice.randrange(2, 5)
        if luck < 0.93 and not dispense.is_voided and dispense.supplied_by == SuppliedBy.US:
            yield from _proof(own, dispense, days)


def _proof(book: Book, dispense: Dispense, days: int) -> Iterator[Proof]:
    """Of what was handed over, the slip; of a parcel that has had the time, what the carrier recorded."""
    on = dispense.dispensed_on
    if dispense.given == Given.IN_PERSON:
        name, relation = book.person.representative
        stands_in = bool(name) and book.dice.random() < 0.5
        yield Proof(
            dispense=dispense,
            method=ProofMethod.SIGNED,
            delivered_on=on,
            signed_by=name if stands_in else book.patient.name,
            relation=relation if stands_in else "self",
            recorded_at=dispense.recorded_at,
            recorded_by_id=dispense.recorded_by_id,
        )
    elif (arrived := on + timedelta(days=days)) <= book.person.history.today:
        yield Proof(
            dispense=dispense,
            method=ProofMethod.CARRIER,
            delivered_on=arrived,
            carrier_record=f"delivered to the address, {dispense.tracking_id}",
            **book.mark(arrived),
        )
