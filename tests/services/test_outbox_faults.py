"""The outbox when processes die or freeze at the worst moment: between the server's yes and our mark."""

import os
import signal
import subprocess
from collections.abc import Iterator
from datetime import timedelta
from email.message import EmailMessage
from pathlib import Path
from threading import Event

import pytest

from resupply import clock
from resupply.models import Message, MessageState
from tests.services.post_office import Sink, make_overdue_patient, process_environment, start, wait_until

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.processes]
SEND_DUE = ("python", "manage.py", "send_due")


class Post:
    """Runs `manage.py send_due` in processes of its own, against one sink."""

    def __init__(self, sink: Sink, folder: Path) -> None:
        self.sink, self.log = sink, folder / "send_due.log"
        self.started: list[subprocess.Popen[bytes]] = []
        self.variables = process_environment(
            folder=folder, email_url=sink.url, redis_url="redis://127.0.0.1:1/0"
        )

    def start(self) -> "subprocess.Popen[bytes]":
        self.started.append(start(SEND_DUE, self.variables, self.log))
        return self.started[-1]

    def run(self) -> None:
        assert self.start().wait(timeout=60) == 0, self.log.read_text()


@pytest.fixture
def post(tmp_path: Path) -> Iterator[Post]:
    """A post office with its sink, and one patient who is due."""
    sink = Sink()
    sink.controller.start()
    make_overdue_patient("only@patients.example", now=clock.now())
    office = Post(sink, tmp_path)
    yield office
    for process in office.started:
        process.kill()
        process.wait()
    sink.controller.stop()


def lease_runs_out() -> None:
    """As if the time of the lease had passed."""
    assert Message.objects.update(leased_until=clock.now() - timedelta(seconds=1)) == 1


def test_killed_between_send_and_mark_costs_one_copy_with_the_same_message_id(post: Post) -> None:
    worker: list[subprocess.Popen[bytes]] = []
    started = Event()

    def kill(mail: EmailMessage) -> None:
        started.wait(10)
        worker[0].send_signal(signal.SIGKILL)

    post.sink.on_mail = kill
    worker.append(post.start())
    started.set()
    assert worker[0].wait(timeout=60) == -signal.SIGKILL
    assert Message.objects.get().state == MessageState.SENDING
    assert len(post.sink.mails) == 1

    post.sink.on_mail = lambda mail: None
    post.run()  # the lease still holds: whoever has it may be alive
    assert len(post.sink.mails) == 1
    lease_runs_out()
    post.run()
    post.run()
    assert len(post.sink.mails) == 2
    assert len({mail["Message-ID"] for mail in post.sink.mails}) == 1
    message = Message.objects.get()
    assert (message.state, message.is_unsure) == (MessageState.SENT, False)


def test_killed_every_time_stops_at_one_copy_and_is_left_to_a_person(post: Post) -> None:
    for expected in (-signal.SIGKILL, -signal.SIGKILL, 0):
        worker: list[subprocess.Popen[bytes]] = []
        started = Event()

        def kill(mail: EmailMessage, worker: list = worker, started: Event = started) -> None:
            started.wait(10)
            worker[0].send_signal(signal.SIGKILL)

        post.sink.on_mail = kill
        worker.append(post.start())
        started.set()
        assert worker[0].wait(timeout=60) == expected, post.log.read_text()
        Message.objects.update(leased_until=clock.now() - timedelta(seconds=1))
    assert len(post.sink.mails) == 2
    assert Message.objects.get().state == MessageState.FAILED


def test_frozen_past_its_lease_cannot_overwrite(post: Post) -> None:
    frozen: list[subprocess.Popen[bytes]] = []
    started = Event()

    def freeze(mail: EmailMessage) -> None:
        started.wait(10)
        os.kill(frozen[0].pid, signal.SIGSTOP)

    post.sink.on_mail = freeze
    frozen.append(post.start())
    started.set()
    wait_until(lambda: post.sink.mails)

    post.sink.on_mail = lambda mail: None
    lease_runs_out()
    post.run()
    after = Message.objects.values().get()
    assert (after["state"], after["fence"]) == (MessageState.SENT, 2)

    frozen[0].send_signal(signal.SIGCONT)
    assert frozen[0].wait(timeout=60) == 0
    assert Message.objects.values().get() == after
    assert len(post.sink.mails) == 2
    assert len({mail["Message-ID"] for mail in post.sink.mails}) == 1


def test_two_commands_at_once_send_once(post: Post) -> None:
    both = [post.start(), post.start()]
    assert [process.wait(timeout=60) for process in both] == [0, 0], post.log.read_text()
    assert len(post.sink.mails) == 1
    post.run()
    assert len(post.sink.mails) == 1
