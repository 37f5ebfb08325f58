"""What may be dispensed of one code on one day, also of a code the line is not refilled with."""

import pytest

from resupply.rules.facts import PatientFacts
from resupply.rules.limits import Limit, limit_of
from tests.rules.build import (
    COMBINATION_PILLOWS,
    CUSHION,
    PAYER,
    PILLOWS,
    gave,
    insured,
    on,
    own_life,
    shipped_policy,
    weeks,
)

POLICY = shipped_policy()
NEW = PatientFacts(deliveries=(), coverage=insured())
CUSHIONS = PatientFacts(deliveries=(gave(6, CUSHION, "2026-01-01", billed_to=PAYER),), coverage=insured())
CHANGED = PatientFacts(  # six pillows at two a month, worn after a week each; then a cushion of another code
    deliveries=(gave(6, PILLOWS, "2026-01-01", billed_to=PAYER), gave(1, CUSHION, "2026-02-01")),
    coverage=insured(),
    own_lives=own_life(PILLOWS, ("2000-01-01", weeks(1))) | own_life(CUSHION, ("2000-01-01", weeks(1))),
)
PAYS = PatientFacts(deliveries=(gave(1, CUSHION, "2026-01-01"),))

TABLE = [
    (NEW, CUSHION, "2026-01-10", None, 6, "a kind never had may go out at once, three months' worth"),
    (CUSHIONS, CUSHION, "2026-06-20", "2026-06-21", 0, "the line's own code waits for its earliest delivery"),
    (CUSHIONS, CUSHION, "2026-06-21", "2026-06-21", 6, "and then has the line's limit"),
    (CUSHIONS, PILLOWS, "2026-06-20", "2026-06-21", 0, "another code waits for the supply of the line"),
    (CUSHIONS, PILLOWS, "2026-06-21", "2026-06-21", 6, "but the cushions used nothing of its coverage"),
    (CHANGED, PILLOWS, "2026-03-21", "2026-03-22", 0, "its own coverage opens 2026-04-01, ten days later"),
    (CHANGED, PILLOWS, "2026-03-22", "2026-03-22", 6, "so ten days before that it may go out"),
    (CHANGED, CUSHION, "2026-03-21", "2026-02-09", 6, "the line's own code was never billed: supply decides"),
    (PAYS, CUSHION, "2026-01-22", "2026-01-22", None, "one who pays has no limit, but a first day"),
    (PAYS, PILLOWS, "2026-01-10", "2026-01-22", None, "for every code of the line"),
]


@pytest.mark.parametrize(("facts", "code", "day", "deliver_from", "quantity", "sentence"), TABLE)
def test_limit(
    facts: PatientFacts, code: str, day: str, deliver_from: str | None, quantity: int | None, sentence: str
) -> None:
    limit = limit_of(code, facts, POLICY, as_of=on(day))
    assert limit.deliver_from == (on(deliver_from) if deliver_from else None), sentence
    assert limit.quantity == quantity, sentence


def test_of_the_lines_own_code_it_is_what_the_plan_says() -> None:
    # Worked example of a commercial payer's reimbursement policy for PAP supplies of 2024-04-01.
    facts = PatientFacts(
        deliveries=(gave(2, COMBINATION_PILLOWS, "2024-04-01", billed_to=PAYER),), coverage=insured()
    )
    day = on("2024-05-22")
    assert limit_of(COMBINATION_PILLOWS, facts, POLICY, as_of=day) == Limit(day, 4)


def test_a_code_that_is_no_part_type_is_an_error() -> None:
    with pytest.raises(KeyError):
        limit_of("A0000", NEW, POLICY, as_of=on("2026-01-01"))
