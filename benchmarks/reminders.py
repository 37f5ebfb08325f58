"""Reminders from the outbox to a mail server on this machine, against SMTP alone over one connection:
finished bytes handed over by `smtplib`, and the same letters sent by Django's mail, which builds them.

The mail server is a process of its own. With `TAKES_MS` it needs that long for a mail, as a server beyond a
network does, and more workers can help; without, it is one busy process and the limit of all.
"""

import os
import smtplib
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, timedelta
from email.utils import parseaddr
from pathlib import Path

from django.conf import settings
from django.core.mail import EmailMultiAlternatives, get_connection
from django.db import connection
from django.db.models import Max, Min

from benchmarks import databases
from benchmarks.measure import Result
from clinic import servers
from resupply import clock
from resupply.delivery.mail import MailCarrier
from resupply.models import Channel, Consent, Message, MessageState, Patient, PlanLine
from resupply.rules.sending import Letter, Note
from resupply.services import outbox, reminders

ROOT = Path(__file__).resolve().parents[1]
REMINDERS = 2_000
RUNS = 5
TAKES_MS = 10.0


def run(sizes: tuple[int, ...]) -> Iterator[Result | str]:
    """One worker against SMTP alone; two against one, four against two."""
    with databases.copied(sizes[0]):
        _make_due(min(REMINDERS, sizes[0]))
        began = time.perf_counter()
        queued = reminders.enqueue_due(now=clock.now(), by_link=settings.ANSWER_BY_LINK)
        yield f"reminders queued: {queued} at {queued / (time.perf_counter() - began):,.0f} a second"
        with _mail_server(0):
            yield from _one_worker(queued)
        for takes in (0.0, TAKES_MS):
            with _mail_server(takes):
                rates = {workers: _processes(workers, queued) for workers in (1, 2, 4)}
            for workers in (2, 4):
                yield Result(
                    f"reminders, {workers} workers, server takes {takes:g} ms a mail: ms a reminder",
                    1000 / rates[workers],
                    1000 / rates[workers // 2],
                    f"{workers // 2} of them",
                    1,
                )


def _one_worker(queued: int) -> Iterator[Result]:
    """In turns, so that what else the machine does meets all three alike."""
    rounds = [(_alone(queued), _by_django(queued), _in_process(queued)) for _ in range(RUNS)]
    alone, by_django, product = ([1000 / rate for rate in rates] for rates in zip(*rounds, strict=True))
    what = "reminders, one worker: ms a reminder"
    yield Result(what, _middle(product), _middle(alone), "SMTP alone, one connection, finished bytes", 2)
    yield Result(what, _middle(product), _middle(by_django), "Django's mail alone, one connection", 2)


def _middle(values: list[float]) -> float:
    return round(sorted(values)[len(values) // 2], 3)


def _make_due(number: int) -> None:
    """Plans of so many patients end today, where it is noon, and they said yes to e-mail; nobody else did."""
    now = clock.now()
    ahead = 12 - now.astimezone(UTC).hour
    zone = f"Etc/GMT{-ahead:+d}" if ahead else "Etc/GMT"
    due = list(Patient.objects.order_by("pk").values_list("pk", flat=True)[:number])
    today = now.date()
    Patient.objects.filter(pk__in=due).update(time_zone=zone, status="on_therapy")
    for pk in due:
        Patient.objects.filter(pk=pk).update(email=f"p{pk}@patients.example")
    PlanLine.objects.filter(patient__in=due).update(
        active=True,
        paused_from=None,
        supply_ends_on=today,
        refill_on=today,
        ask_from=today - timedelta(days=30),
        deliver_from=today - timedelta(days=10),
    )
    databases.copy(
        Consent,
        (
            Consent(patient_id=pk, channel=Channel.MAIL, granted=True, given_on=today, how="bench")
            for pk in due
        ),
    )
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")


@contextmanager
def _mail_server(takes_ms: float) -> Iterator[None]:
    """A mail server in a process of its own, and the settings that name it."""
    port = servers.free_port()
    words = [sys.executable, "-m", "benchmarks.mail_sink", str(port), str(takes_ms)]
    process = subprocess.Popen(words, cwd=ROOT)
    settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
    settings.EMAIL_HOST, settings.EMAIL_PORT = "127.0.0.1", port
    try:
        servers.wait_for_port(port)
        yield
    finally:
        process.kill()
        process.wait()


def _alone(number: int) -> float:
    """So many finished letters a second over one connection, and nothing else."""
    sender = parseaddr(settings.DEFAULT_FROM_EMAIL)[1]
    mails = [(letter.address, _bytes(letter)) for letter in _letters(number)]
    with smtplib.SMTP("127.0.0.1", settings.EMAIL_PORT) as line:
        began = time.perf_counter()
        for address, mail in mails:
            line.sendmail(sender, [address], mail)
        return len(mails) / (time.perf_counter() - began)


def _by_django(number: int) -> float:
    """So many letters a second, put into mails and sent by Django over one connection."""
    letters = _letters(number)
    with get_connection() as line:
        began = time.perf_counter()
        for letter in letters:
            mail = EmailMultiAlternatives(letter.subject, letter.text, to=[letter.address], connection=line)
            mail.attach_alternative(letter.html, "text/html")
            mail.send()
        return len(letters) / (time.perf_counter() - began)


def _letters(number: int) -> list[Letter]:
    carrier = MailCarrier()
    return [carrier.compose(_note(one)) for one in range(min(number, 500))]


def _bytes(letter: Letter) -> bytes:
    return MailCarrier()._as_mail(letter).message().as_bytes(linesep="\r\n")


def _note(number: int) -> Note:
    return Note(
        key=f"bench-{number}",
        address=f"p{number}@patients.example",
        given_name="Bench",
        language="en",
        step="due",
        phone="+1 303 555 0100",
        token="x" * 22,
    )


def _in_process(number: int) -> float:
    """Reminders a second, one worker, within this process."""
    _wait_again()
    began = time.perf_counter()
    while outbox.deliver({Channel.MAIL: MailCarrier}, now=clock.now()).is_cut_short:
        pass
    taken = time.perf_counter() - began
    _check(number)
    return number / taken


def _processes(workers: int, number: int) -> float:
    """Reminders a second of so many processes at once, from the first mark to the last."""
    _wait_again()
    variables = os.environ | {
        "DATABASE_URL": databases.url(),
        "EMAIL_URL": f"smtp://127.0.0.1:{settings.EMAIL_PORT}",
        "REDIS_URL": "memory://",
    }
    words = [sys.executable, "manage.py", "send_due"]
    started = [
        subprocess.Popen(words, cwd=ROOT, env=variables, stdout=subprocess.DEVNULL) for _ in range(workers)
    ]
    if any(process.wait() for process in started):
        raise RuntimeError("a worker failed")
    _check(number)
    marks = Message.objects.aggregate(first=Min("finished_at"), last=Max("finished_at"))
    return number / float((marks["last"] - marks["first"]).total_seconds())


def _wait_again() -> None:
    """All messages wait once more."""
    Message.objects.update(state=MessageState.WAITING, attempts=0, finished_at=None, leased_until=None)


def _check(number: int) -> None:
    sent = Message.objects.filter(state=MessageState.SENT).count()
    if sent != number:
        raise RuntimeError(f"{sent} of {number} reminders were sent")
