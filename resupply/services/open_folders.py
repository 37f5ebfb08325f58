"""The nightly folder of open tables: all records as they stood at one moment, in the columns an import reads.

It is written once a night, from `HOUR` on by the clock of the first location, whenever the folder of the day
is not there yet: a night without a worker is made up for in the morning. Two workers at once write one
folder: the second finds the lock taken. Off where no place is named.
"""

import logging
import shutil
from datetime import datetime
from pathlib import Path

from django.db import connection, transaction

from resupply.delivery.open_folder import write_folder
from resupply.queries.open_tables import TABLES
from resupply.rules.zones import zone_named
from resupply.services.records import clinic_zone

log = logging.getLogger(__name__)

HOUR = 2
KEPT = 14
"""Folders that stay; older ones go, since each holds everything."""
_LOCK = 7_305_118


def write_tonight(place: Path, *, now: datetime) -> Path | None:
    """Write the folder of the day if it is time and it is not there; None: nothing was to be done.

    Raises OSError where the disk is full or the place cannot be written.
    """
    local = now.astimezone(zone_named(clinic_zone()))
    name = local.date().isoformat()
    if local.hour < HOUR or (place / name).exists():
        return None
    with transaction.atomic():
        with connection.cursor() as cursor:
            # The first statement: every table is read as of this one moment.
            cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY")
            cursor.execute("SELECT pg_try_advisory_xact_lock(%s)", [_LOCK])
            if not cursor.fetchone()[0] or (place / name).exists():
                return None
        tables = {table: (header, rows(today=local.date())) for table, (header, rows) in TABLES.items()}
        folder = write_folder(place, name, tables)
    _drop_old(place)
    log.info("the folder of open tables of %s is written", name)
    return folder


def _drop_old(place: Path) -> None:
    """Remove all but the newest folders that are named by a day; anything else there is not ours."""
    ours = sorted(folder for folder in place.iterdir() if folder.is_dir() and _is_day(folder.name))
    for folder in ours[:-KEPT]:
        shutil.rmtree(folder)


def _is_day(name: str) -> bool:
    try:
        return datetime.strptime(name, "%Y-%m-%d").strftime("%Y-%m-%d") == name  # noqa: DTZ007
    except ValueError:
        return False
