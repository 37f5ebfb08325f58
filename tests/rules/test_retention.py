"""How long records are kept: the longer rule wins, counted from the day of the record."""

from datetime import date, timedelta

from hypothesis import given
from hypothesis import strategies as st

from resupply.rules.deliveries import keep_until
from resupply.rules.retention import DOCUMENTATION, PROOF, RULES, Records, kept, years_before

DAYS = st.dates(date(1990, 1, 1), date(2090, 12, 31))


def test_six_years_for_documentation_and_seven_where_a_delivery_is_proved() -> None:
    """45 CFR 164.316(b)(2)(i): "6 years from the date of its creation"; 42 CFR 424.516(f): seven years."""
    made = date(2026, 3, 18)
    assert kept(Records.READS, made).until == kept(Records.DISCLOSURES, made).until == date(2032, 3, 18)
    assert kept(Records.CHANGES, made).until == kept(Records.PROOFS, made).until == date(2033, 3, 18)
    assert (kept(Records.CHANGES, made).longest, kept(Records.READS, made).longest) == (PROOF, DOCUMENTATION)
    assert all(rule.source.startswith(("45 CFR", "42 CFR")) for rule in RULES)


@given(DAYS, st.sampled_from(Records))
def test_no_rule_that_covers_a_record_asks_for_longer(on: date, records: Records) -> None:
    found = kept(records, on)
    assert found.rules
    assert found.longest.years == max(rule.years for rule in found.rules)
    assert found.until >= on + timedelta(days=365 * found.longest.years)


@given(DAYS)
def test_a_proof_is_kept_as_long_as_its_slip_says(on: date) -> None:
    assert kept(Records.PROOFS, on).until == keep_until(on)


@given(DAYS)
def test_an_accounting_looks_back_at_least_six_years(on: date) -> None:
    assert years_before(on, 6) <= on - timedelta(days=365 * 6)
