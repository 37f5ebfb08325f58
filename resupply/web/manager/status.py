"""The administrators' page about the machinery: what is wrong first, then every figure with its words."""

import platform
import shutil

import django
from django.conf import settings
from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.delivery import doorbell
from resupply.queries import health
from resupply.rules.health import findings
from resupply.web.access import StaffRequest, may
from resupply.web.manager.status_words import Machine, notices, sections

QUEUE = "resupply"


@may("status.see")
@require_GET
def status(request: StaffRequest) -> HttpResponse:
    """Looked at now; nothing on it is kept."""
    now = clock.now()
    machinery = health.machinery(now=now)
    disk = shutil.disk_usage(settings.VAR_DIR if settings.VAR_DIR.exists() else settings.BASE_DIR)
    machine = Machine(
        rings=doorbell.rings(settings.REDIS_URL, QUEUE),
        program=settings.VERSION,
        python=platform.python_version(),
        django=django.get_version(),
        database=health.database_version(),
        database_bytes=health.database_bytes(),
        disk_free=disk.free,
        disk_total=disk.total,
    )
    facts = machinery.facts(now=now, queue=machine.rings, disk_free=disk.free / disk.total)
    context = {
        "today": clock.today(request.zone),
        "notices": notices(findings(facts)),
        "sections": sections(machinery, machine, now=now),
        "backups_on": bool(settings.BACKUP_KEYS),
    }
    return render(request, "manager/status.html", context)
