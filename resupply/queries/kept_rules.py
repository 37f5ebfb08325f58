"""The clinic's rules, kept by each process as long as they hold: every write of a patient needs them, and to
read those of thirty payers takes longer than all the rest of a plan.

They hold while the database's digest of their rows is the same. It names places of rows and transactions, and
neither comes twice: rules of a transaction that was rolled back are met by nobody.
"""

from django.db import connection

from resupply.queries.facts import ClinicRules, clinic_rules

DIGEST = "(SELECT resupply_rules_digest())"
"""A column for a query on any table, worked out once for all its rows."""
_kept: tuple[int, ClinicRules] | None = None


def rules_in_force(digest: int) -> ClinicRules:
    """The rules, where `DIGEST` was this a moment ago. No query while they hold, else two."""
    global _kept  # one pair, replaced as a whole: threads need no lock
    if _kept is not None and _kept[0] == digest:
        return _kept[1]
    rules = clinic_rules()
    if digest_now() == digest:  # else they changed between the two: right to use now, and not to keep
        _kept = (digest, rules)
    return rules


def digest_now() -> int:
    """The database's digest of the rules. One query."""
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT {DIGEST}")
        found: int = cursor.fetchall()[0][0]
    return found
