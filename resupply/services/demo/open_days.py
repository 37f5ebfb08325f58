"""When the demo clinic is open: the South room on Saturdays too, and nobody on holidays to come."""

from datetime import date, datetime

from resupply.models import ClosedDay
from resupply.services import open_days
from resupply.services.demo.clinic import Clinic
from resupply.services.records import stamp

_HOLIDAYS = ((12, 25, "Christmas Day"), (1, 1, "New Year’s Day"), (7, 4, "Independence Day"))


def write_open_days(clinic: Clinic, *, today: date, now: datetime) -> None:
    """Choose the weekdays, and close the clinic on the holidays of the coming year that fall on them."""
    *_, south = clinic.locations
    open_days.set_weekdays(south, range(6))
    rows = []
    for month, day, name in _HOLIDAYS:
        this_year = date(today.year, month, day)
        holiday = this_year if this_year >= today else this_year.replace(year=today.year + 1)
        rows += [
            ClosedDay(location=place, day=holiday, reason=name, **stamp(clinic.desk, now))
            for place in clinic.locations
            if str(holiday.weekday()) in place.open_weekdays
        ]
    ClosedDay.objects.bulk_create(rows)
