"""The outlook: parts needed in half a year and the clinic's own pace, against a rebuild of as many plans.

A worker works it out once a day, so many patients at a ring, and may take some times as long as a rebuild;
what counts besides is how long one ring keeps others from the worker, and how soon the page shows.
"""

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime

import time_machine
from django.db import transaction
from django.test import Client
from django.urls import reverse

from benchmarks import databases
from benchmarks.measure import Result, once, shown, timed
from benchmarks.population import TODAY
from clinic.accounts.models import User
from resupply.models import OutlookRun, Patient, PlanLine, Role, Staff
from resupply.services import outlook, outlook_pace, plans

NOW = datetime.combine(TODAY, datetime.min.time(), UTC).replace(hour=18)
SLICE = 20_000.0
"""Milliseconds after which a job makes room for others."""
PAGE = 250.0
"""Milliseconds the page may take (ours): it reads sums, whatever the number of patients."""


def run(sizes: Sequence[int]) -> Iterator[str | Result]:
    """In the smallest database; nothing of it stays."""
    databases.use(sizes[0])
    with transaction.atomic():
        ids = list(Patient.objects.filter(dispenses__isnull=False).distinct().values_list("pk", flat=True))
        each = timed(lambda: plans.refresh_plans(ids, now=NOW), runs=1, warm=0).median / len(ids)
        of = PlanLine.objects.filter(active=True).values("patient").distinct().count()
        rings, run_of = [], outlook.begin(today=TODAY, now=NOW)
        seen = timed(lambda: outlook_pace.look_back(today=TODAY), runs=1, warm=0).median
        while not OutlookRun.objects.get(pk=run_of.pk).is_done:
            rings.append(once(lambda: outlook.go_on(run_of.pk)))
        yield f"outlook: {of:,} patients; the pace from a sample: {seen:.0f} ms; {len(rings)} rings"
        whole = "a rebuild of as many plans"
        yield Result("outlook of every location", seen + sum(rings), each * of, whole, 3.0)
        yield Result("outlook: the longest ring, ms", max(seen, *rings), SLICE, "what a slice may take", 1.0)
        yield _page()
        transaction.set_rollback(True)


def _page() -> Result:
    """The page as a manager opens it."""
    user = User.objects.create_user("bench-outlook")
    Staff.objects.create(user=user, role=Role.MANAGER)
    client = Client()
    client.force_login(user)
    with time_machine.travel(NOW, tick=True):
        page = timed(lambda: shown(client.get(reverse("manager:outlook"))), runs=5, warm=1).median
    return Result("outlook: its page, ms", page, PAGE, "what it may take", 1.0)
