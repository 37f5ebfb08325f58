"""The processes of a running clinic: one table for `make run`, docker-compose.yml and the test of both.

`python` in a command is the interpreter of the virtual environment or of the image. What differs between this
machine and a container (addresses, secrets) is in the environment, never in a command.
"""

from dataclasses import dataclass, field
from ipaddress import ip_address


@dataclass(frozen=True, slots=True)
class Process:
    """One long-running process.

    command: the words that start it. environment: variables of its own, besides those all processes share.
    health: the words that exit with 0 while it does its work.
    """

    name: str
    command: tuple[str, ...]
    health: tuple[str, ...]
    environment: dict[str, str] = field(default_factory=dict)


# Once, before the others start.
MIGRATE = ("python", "manage.py", "migrate", "--noinput")

# A worker and its scheduler are healthy while beats travel scheduler, queue, worker, database: an answer to a
# ping says nothing, since a worker that lost its queue still gives one.
_HEARTBEAT = ("python", "manage.py", "check_heartbeat")

WEB = Process(
    name="web",
    command=(
        *("python", "-m", "granian", "--interface", "wsgi", "--no-ws"),
        *("--workers", "2", "--blocking-threads", "4"),
        # A worker told to end before it serves does not hear it (it inherits its parent's signal handler), so
        # it is killed after this many seconds; one that serves has ended long before.
        *("--workers-kill-timeout", "10"),
        # Said here, so that no environment can ask for one: it would hold the secrets of paths unscrubbed.
        *("--no-access-log", "clinic.wsgi:application"),
    ),
    health=("python", "-m", "clinic.livez"),
    environment={"DB_POOL": "4"},  # connections of one web worker; other processes keep one each
)

WORKER = Process(
    name="worker",
    command=("python", "-m", "celery", "--quiet", "-A", "clinic.celery", "worker", "--concurrency", "2"),
    health=_HEARTBEAT,
    # On SIGTERM, Celery's soft shutdown: tasks get a few seconds, then go back to the queue.
    environment={"REMAP_SIGTERM": "SIGQUIT"},
)

BEAT = Process(
    name="beat",
    command=(
        *("python", "-m", "celery", "--quiet", "-A", "clinic.celery"),
        *("beat", "--scheduler", "celery.beat:Scheduler"),  # in memory: no file to keep or to lose
    ),
    health=_HEARTBEAT,
)

PROCESSES = (WEB, WORKER, BEAT)

# Variables every process needs outside the demo; settings.py reads them.
REQUIRED_VARIABLES = (
    "SECRET_KEY",
    "CLINIC_NAME",
    "PUBLIC_URL",
    "ALLOWED_HOSTS",
    "DATABASE_URL",
    "REDIS_URL",
    "CACHE_URL",
    "EMAIL_URL",
    "MAIL_FROM",
    "DATA_KEYS",
    "INDEX_KEY",
)

# Variables a clinic may do without: the proxy, text messages, reminders, sharing, backups, figures, sessions,
# logs. settings.py says which belong together, and docker-compose.yml what they are where nothing is said.
OPTIONAL_VARIABLES = (
    *("BEHIND_TLS_PROXY", "FORWARDED_FOR"),
    *("TEXT_URL", "TEXT_FROM", "TEXT_SECRET", "TEXT_CALLBACK_SECRET", "PHONE_REGION"),
    *("STOP_MAIL", "ANSWER_BY_LINK", "SWEEP_SECONDS"),
    *("FHIR", "EXPORT_FOLDER"),
    *("BACKUP_KEY", "METRICS_TOKEN"),
    *("SESSION_IDLE_MINUTES", "SESSION_HOURS"),
    *("LOG_FORMAT", "LOG_LEVEL"),
)


def is_loopback(host: str) -> bool:
    """Tell whether a host name or address means this machine alone."""
    if host == "localhost":
        return True
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False
