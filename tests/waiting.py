"""Two at once: what a test waits for."""

import time

from django.db import connection


def wait_for_a_waiter() -> None:
    """Return once another connection waits for this transaction."""
    for _ in range(300):
        with connection.cursor() as cursor:
            cursor.execute("SELECT count(*) FROM pg_locks WHERE NOT granted")
            if cursor.fetchone()[0]:
                return
        time.sleep(0.05)
    raise AssertionError("nobody waited")
