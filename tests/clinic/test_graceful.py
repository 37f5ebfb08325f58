"""A new version takes over: the old web server is told to end under load, and no answer gets lost.

`make test-faults ONLY="overlap"` does the same with workers, schedulers, a changing database and more people.
"""

import contextlib
import os
import signal
import time
from pathlib import Path

import pytest
from django.urls import reverse

from clinic.processes import WEB
from clinic.servers import free_port
from clinic.supervisor import STOP_PATIENCE
from tests.faults.office import wait_until
from tests.faults.visitors import Visitors, done_by
from tests.services.post_office import process_environment, start

pytestmark = [pytest.mark.processes, pytest.mark.django_db]


def both_serve(log: Path) -> bool:
    """Whether the server said so of its two workers: one that still starts is told to end in vain."""
    return log.read_text().count("Started worker-") == 2


def test_a_web_server_that_is_told_to_end_answers_what_it_has_begun(tmp_path: Path) -> None:
    port = free_port()
    shared = process_environment(folder=tmp_path, email_url="", redis_url="memory://") | WEB.environment
    own = {"GRANIAN_PORT": str(port), "GRANIAN_HOST": "127.0.0.1", "LOG_LEVEL": "INFO", "LOG_FORMAT": "json"}
    shared = {name: value for name, value in shared.items() if name not in {"EMAIL_URL", "CACHE_URL"}}
    web = start(WEB.command, shared | own, tmp_path / "web.log")
    visitors = Visitors([port], reverse("login"), threads=6)
    try:
        wait_until(lambda: both_serve(tmp_path / "web.log"), "both workers serve", seconds=30)
        visitors.have(60)
        told = time.monotonic()
        web.send_signal(signal.SIGTERM)
        assert web.wait(timeout=STOP_PATIENCE) == 0
        assert time.monotonic() - told < STOP_PATIENCE / 2
    finally:
        found = visitors.leave()
        with contextlib.suppress(ProcessLookupError):
            os.killpg(web.pid, signal.SIGKILL)  # with what is left of its workers
    done = done_by(tmp_path / "web.log")
    assert found.wrong == []
    assert len(found.answered) >= 60
    assert set(found.answered) <= done
    assert done - set(found.answered) == set()  # none that was done lost its answer
    assert done.isdisjoint(found.broken)
