"""Rebuild every stored plan from the records, in committed batches; progress goes to standard error.

A rebuild that was stopped goes on with `--after` the last patient it named. It changes nothing where plans
are right, and the identity of no calendar entry. Patients of whom nothing changed since the last rebuild, nor
the rules, are left alone; `--all` works out those too. With `--processes` it uses so many processor cores.
"""

import gc
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from datetime import datetime
from functools import partial
from multiprocessing import get_context
from typing import Any

from django.core.management.base import BaseCommand, CommandParser
from django.db import connection

from resupply import clock
from resupply.models import Patient
from resupply.services import plans

SPAN = plans.BATCH
"""Patient numbers that one process takes at a time."""


class Command(BaseCommand):
    """rebuild_plans [--after NUMBER] [--processes N] [--all]"""

    requires_system_checks = []  # pages have no part in this, and loading them takes longer than the job
    help = "Rebuild every stored plan from the records."

    def add_arguments(self, parser: CommandParser) -> None:
        """Declare the options."""
        parser.add_argument(
            "--after", type=int, default=0, help="go on after this number, as progress named it"
        )
        parser.add_argument("--processes", type=int, default=1, help="work in so many processes")
        parser.add_argument(
            "--all", action="store_true", help="also where nothing changed since the last rebuild"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        """Rebuild batch by batch."""
        after, doubting, now, changed = options["after"], options["all"], clock.now(), 0
        if options["processes"] > 1:
            progress = side_by_side(options["processes"], now=now, after=after, doubting=doubting)
        else:
            progress = plans.rebuild_plans(now=now, after=after, doubting=doubting)
        for last, written in progress:
            changed += written
            self.stderr.write(
                f"done up to {last}: {changed} rows changed (to go on from here: --after {last})"
            )
        self.stdout.write(f"Plans rebuilt: {changed} rows changed.")


def side_by_side(
    processes: int, *, now: datetime, after: int, up_to: int | None = None, doubting: bool = False
) -> Iterator[tuple[int, int]]:
    """What `plans.rebuild_plans` does and yields, span by span in the order of the patients."""
    last = up_to or Patient.objects.order_by("-pk").values_list("pk", flat=True).first() or after
    ends = [*range(after + SPAN, last, SPAN), last]
    connection.close()  # a connection must not be shared with a process that is forked off
    gc.freeze()  # what stands already is garbage in none of them, and to look it through takes a tenth
    with ProcessPoolExecutor(processes, mp_context=get_context("fork")) as pool:
        done = pool.map(partial(_rebuild, now, doubting), [after, *ends[:-1]], ends)
        yield from zip(ends, done, strict=True)


def _rebuild(now: datetime, doubting: bool, after: int, up_to: int) -> int:
    """Rebuild one span; returns how many rows were written."""
    progress = plans.rebuild_plans(now=now, after=after, up_to=up_to, doubting=doubting)
    return sum(written for _, written in progress)
