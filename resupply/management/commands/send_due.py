"""`manage.py send_due`: one sweep by hand, without queue or worker."""

from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand

from resupply import clock
from resupply.delivery.carriers import carriers
from resupply.services import outbox, plans, questions, reminders


class Command(BaseCommand):
    """Does what the scheduler's sweep does, in this process. Safe beside running workers."""

    help = "Bring plans up to the day, queue reminders that are due, and send what is waiting."
    requires_system_checks = ()  # they load every page; this runs beside them, and often

    def handle(self, *args: Any, **options: Any) -> None:
        """Sweep once; what falls into the patients' night stays queued until their morning."""
        plans.refresh_expired(now=clock.now())
        questions.tidy(now=clock.now())
        queued = reminders.enqueue_due(
            now=clock.now(), by_link=settings.ANSWER_BY_LINK, channels=tuple(carriers())
        )
        sent = 0
        while (delivered := outbox.deliver(carriers(), now=clock.now())).is_cut_short:
            sent += delivered.sent
        self.stdout.write(f"queued {queued}, sent {sent + delivered.sent}")
