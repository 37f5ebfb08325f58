"""Rules kept in memory: never older than the database, and read once while they hold."""

from datetime import date

import pytest
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext

from resupply.models import AllowanceVersion, Payer
from resupply.queries.facts import clinic_rules
from resupply.queries.kept_rules import digest_now, rules_in_force
from tests import builders

pytestmark = pytest.mark.django_db


def test_they_are_read_once_while_they_hold() -> None:
    builders.make_payer(allowances=[{}])
    first = rules_in_force(digest_now())
    with CaptureQueriesContext(connection) as queries:
        assert rules_in_force(digest_now()) is first
    assert len(queries) == 1  # for the digest


def test_any_change_is_seen_at_once() -> None:
    payer = builders.make_payer(allowances=[{}])
    rules_in_force(digest_now())
    for change in (
        lambda: AllowanceVersion.objects.update(units=9),
        lambda: builders.make_life(effective_from=date(2026, 2, 1)),
        lambda: Payer.objects.filter(pk=payer.pk).update(refill_source="shipped"),
        lambda: builders.make_payer(name="Another"),
    ):
        before = rules_in_force(digest_now())
        change()
        now = rules_in_force(digest_now())
        assert now == clinic_rules()
        assert now != before


def test_rules_that_were_rolled_back_are_forgotten() -> None:
    builders.make_payer()
    before = rules_in_force(digest_now())
    with transaction.atomic():
        builders.make_payer(name="Never recorded")
        assert rules_in_force(digest_now()) != before
        transaction.set_rollback(True)
    with transaction.atomic():
        builders.make_payer(name="Recorded instead")
        assert rules_in_force(digest_now()) == clinic_rules()
        transaction.set_rollback(True)
    assert rules_in_force(digest_now()) == before


def test_rules_that_changed_since_the_look_are_used_and_not_kept() -> None:
    builders.make_payer()
    looked = digest_now()
    builders.make_payer(name="Meanwhile")
    assert rules_in_force(looked) == clinic_rules()
    Payer.objects.update(refill_source="own")
    assert rules_in_force(looked) == clinic_rules()
