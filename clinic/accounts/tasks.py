"""Celery's door to letters about accounts: asks the database what is due, as every ring does."""

from celery import shared_task

from clinic.accounts import letters
from resupply import clock


@shared_task
def send_letters() -> None:
    """Send what is due."""
    letters.deliver(now=clock.now())
