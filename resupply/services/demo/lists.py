"""A list that the demo's manager has just sent: a worker checks it, and some of its rows need mending.

Its people are invented and on no other page until the list is mended and written.
"""

from datetime import date, datetime, timedelta

from resupply.models import Role, Staff
from resupply.services import uploads
from resupply.services.uploads import Sent

_PEOPLE = (
    ("L3001", "Ines", "Kvist", "1958-03-02"),
    ("L3002", "Tobiah", "Marrow", "1971-11-19"),
    ("L3003", "Saoirse", "Undergrove", "1966-07-30"),
    ("L3004", "Emeric", "Vantongeren", "1949-01-12"),
    ("L3005", "Yusra", "Holloway-Pine", "1983-09-05"),
)


def write_list(*, today: date, now: datetime) -> None:
    """Send the list; the same day gives the same files."""
    manager = Staff.objects.select_related("user").filter(role=Role.MANAGER).order_by("pk").first()
    if manager is None:
        return
    files = {"patients": _patients(), "dispenses": _dispenses(today), "events": _events(today)}
    sent = [Sent(f"{name}.csv", "\n".join([*rows, ""]).encode()) for name, rows in files.items()]
    uploads.receive(sent, by=manager.user, now=now, mail_consent=False)


def _patients() -> list[str]:
    header = "patient_ref,given_name,family_name,birth_date,email,payer"
    rows = [
        f"{reference},{given},{family},{born},{given.lower()}@patients.example,Payer B"
        for reference, given, family, born in _PEOPLE
    ]
    return [header, *rows]


def _dispenses(today: date) -> list[str]:
    """Each got a mask and cushions some time ago; three rows are at fault."""
    rows = ["patient_ref,dispensed_on,part_code,quantity,billed,family"]
    for place, (reference, *_) in enumerate(_PEOPLE):
        on = today - timedelta(days=40 + 23 * place)
        rows += [f"{reference},{on},A7034,1,yes,Aspen", f"{reference},{on},A7032,3,yes,Aspen"]
    on = today - timedelta(days=25)
    return [
        *rows,
        f"{_PEOPLE[0][0]},{on.month}/{on.day}/{on.year},A7038,2,yes,",
        f"{_PEOPLE[1][0]},{on},A7083,1,yes,",
        f"L3O03,{on},A7037,1,yes,",
    ]


def _events(today: date) -> list[str]:
    """A pause, and a swap of a part nobody has a spare of: kept, with a warning."""
    on = today - timedelta(days=12)
    pause = today - timedelta(days=30)
    return [
        "patient_ref,event,on,kind,until",
        f"{_PEOPLE[3][0]},pause,{pause},,{on}",
        f"{_PEOPLE[4][0]},swap,{on},tubing,",
    ]
