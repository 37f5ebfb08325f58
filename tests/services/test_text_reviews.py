"""Approvals of wording: dated by the clinic's own day."""

from datetime import UTC, date, datetime

import pytest

from resupply.queries.texts import CARE_SHEET, digest
from resupply.services.errors import Refused
from resupply.services.text_reviews import record_review

pytestmark = pytest.mark.django_db


def test_a_day_that_has_come_in_utc_only_has_not_come() -> None:
    evening = datetime(2026, 3, 19, 4, 0, tzinfo=UTC)  # the 18th in Denver

    def review(day: date) -> date:
        return record_review(
            language="es", digest_read=digest(CARE_SHEET, "es"), reviewer="R. Vale", qualification="reader",
            reviewed_on=day, by=None, today=date(2026, 3, 18), now=evening,
        ).reviewed_on  # fmt: skip

    with pytest.raises(Refused) as refused:
        review(date(2026, 3, 19))
    assert refused.value.code == "future"
    assert review(date(2026, 3, 18)) == date(2026, 3, 18)
