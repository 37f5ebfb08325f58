"""How long records are kept at least. Nothing is deleted by the program, before that day or after.

The longest of the rules that cover a record counts:

- documentation of policies, actions and activities: six years from when it was made, or was last in effect,
  whichever is later (45 CFR 164.316(b)(2)(i); the same for privacy documentation, 164.530(j)(2), from
  memory);
- what a patient may ask an accounting of: disclosures of the six years before the request (45 CFR
164.528(a));
- proof of delivery and what goes with it, at suppliers of Medicare: seven years from the date of service (42
CFR
  424.516(f)).

No rule names a term for logs of who read what; they are documentation of an activity here, and six years are
common practice. State law and payers' contracts may ask for more, for records of minors above all: the
clinic's own counsel has the last word.

>>> kept(Records.CHANGES, date(2026, 3, 18)).until
datetime.date(2033, 3, 18)
>>> [rule.years for rule in kept(Records.READS, date(2024, 2, 29)).rules]
[6]
>>> kept(Records.READS, date(2024, 2, 29)).until
datetime.date(2030, 2, 28)
"""

from dataclasses import dataclass
from datetime import date
from enum import Enum

from resupply.rules.deliveries import PROOF_KEPT
from resupply.rules.periods import Period, Unit, add


class Records(Enum):
    """Kinds of records with a term of their own."""

    CHANGES = "changes"
    """Change history: it holds dispenses and proofs as they stood, so both terms cover it."""
    READS = "reads"
    DISCLOSURES = "disclosures"
    PROOFS = "proofs"


@dataclass(frozen=True, slots=True)
class Rule:
    """A term of so many years, what it covers, and where it stands."""

    code: str
    years: int
    source: str
    covers: frozenset[Records]


DOCUMENTATION = Rule(
    "documentation",
    6,
    "45 CFR 164.316(b)(2)(i), 164.530(j)(2)",
    frozenset({Records.CHANGES, Records.READS, Records.DISCLOSURES}),
)
PROOF = Rule(
    "proof", PROOF_KEPT.count // 12, "42 CFR 424.516(f)", frozenset({Records.CHANGES, Records.PROOFS})
)
RULES = (DOCUMENTATION, PROOF)

ACCOUNTING_YEARS = 6
"""How far back a patient may ask whom records were disclosed to (45 CFR 164.528(a))."""


@dataclass(frozen=True, slots=True)
class Kept:
    """The last day on which a record must still be there, the rule that asks longest, and all that cover
    it.
    """

    until: date
    longest: Rule
    rules: tuple[Rule, ...]


def kept(records: Records, on: date) -> Kept:
    """Until when a record made, or last in effect, on a day is kept at least."""
    covering = tuple(rule for rule in RULES if records in rule.covers)
    longest = max(covering, key=lambda rule: rule.years)
    return Kept(add(on, Period(12 * longest.years, Unit.MONTH)), longest, covering)


def years_before(on: date, years: int) -> date:
    """The same day so many years earlier; 29 February gives 28 February, the earlier reading."""
    try:
        return on.replace(year=on.year - years)
    except ValueError:
        return date(on.year - years, 2, 28)
