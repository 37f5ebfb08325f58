"""One invented patient's record while it is being written: what every row of it needs."""

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from random import Random
from zoneinfo import ZoneInfo

from django.contrib.auth.base_user import AbstractBaseUser

from resupply.models import Patient
from resupply.services.demo.clinic import Clinic
from resupply.services.demo.people import Person
from resupply.services.records import Stamp, stamp


@dataclass(frozen=True, slots=True)
class Book:
    """One patient's record being written. `dice` give the hours, lots and channels."""

    person: Person
    patient: Patient
    clinic: Clinic
    dice: Random
    now: datetime

    def at(self, day: date) -> datetime:
        """An hour of work on a day, never later than now."""
        zone = ZoneInfo(self.patient.location.time_zone)
        hour = time(self.dice.randrange(9, 17), self.dice.randrange(60), tzinfo=zone)
        return min(datetime.combine(day, hour), self.now)

    def mark(self, day: date, by: AbstractBaseUser | None = None) -> Stamp:
        """Recorded at the desk that day."""
        return stamp(by or self.clinic.desk, self.at(day))

    @property
    def first_day(self) -> date:
        """The day the patient came first: before therapy started."""
        return self.person.history.since - timedelta(days=21)

    def payer_on(self, day: date) -> int | None:
        """Who pays on a day."""
        name = self.person.history.payer
        for since, other in self.person.history.payers:
            if since <= day:
                name = other
        return self.clinic.payers[name].pk if name else None
