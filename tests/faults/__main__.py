"""`python -m tests.faults [--seed N] [--reminders N] [name ...]`: every scenario, and what came of it.

It starts a database, a queue and a mail server of its own in a folder under /tmp, and removes it at the end.
Where something was wrong it stays, with all logs.
"""

import argparse
import os
import shutil
import signal
import sys
import tempfile
from pathlib import Path
from random import Random

from clinic.supervisor import say

DIVISOR = 10.0


def main() -> int:
    """Play the scenarios; return 1 if something was lost, unexpected or wrong."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--seed", type=int, default=Random().randrange(10**6))
    asked.add_argument("--reminders", type=int, default=5000)
    asked.add_argument("names", nargs="*", help="only scenarios whose names contain one of these")
    given = asked.parse_args()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))  # what was started is ended on the way out
    folder = Path(tempfile.mkdtemp(prefix="evenkeep-faults-", dir="/tmp"))
    folder.chmod(0o755)
    say(f"seed {given.seed}; logs in {folder}; every time that is waited for is divided by {DIVISOR:g}")
    _settle(folder)
    from clinic import servers

    try:
        os.environ["DATABASE_URL"] = _database(folder / "postgres")
        wrong = _run(folder, given.seed, given.reminders, given.names)
    finally:
        servers.stop_postgres(folder / "postgres")
    if not wrong:
        shutil.rmtree(folder)
    return wrong


def _database(folder: Path) -> str:
    """Start a migrated database with the server's own settings: what it commits outlives it."""
    import psycopg

    from clinic import servers
    from tests import prepared

    prepared.start(folder)
    url = servers.start_postgres(folder)
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute("ALTER SYSTEM RESET ALL")
    servers.stop_postgres(folder)
    return servers.start_postgres(folder)


def _settle(folder: Path) -> None:
    """Point the settings at the folder, before anything reads them."""
    os.environ.update(
        DJANGO_SETTINGS_MODULE="clinic.settings", DEMO="1", VAR_DIR=str(folder), LOG_LEVEL="WARNING"
    )
    os.environ["STATIC_FROM_SOURCE"] = "1"
    os.environ["REDIS_URL"] = "memory://"
    os.environ.pop("EMAIL_URL", None)


def _run(folder: Path, seed: int, reminders: int, names: list[str]) -> int:
    import django

    django.setup()
    from tests.faults import stand as at_stand
    from tests.faults.breaking import Breaking
    from tests.faults.office import Office
    from tests.faults.reckoning import table
    from tests.faults.scenarios import SCENARIOS, play
    from tests.faults.stand import Stand
    from tests.faults.trials import TRIALS

    Breaking.database_folder = folder / "postgres"
    wanted = [one for one in SCENARIOS if not names or any(name in one.name for name in names)]
    trials = [one for one in TRIALS if not names or any(name in one.name for name in names)]
    shares = sum(one.share for one in SCENARIOS)
    random = Random(seed)
    office = Office(random=Random(seed), sleep=at_stand.MAIL_TIME / DIVISOR * 1.5)
    counts, problems = [], []
    for trial in trials:
        problems += trial.run(folder, Random(random.random()))
    stand = Stand(folder, office, divisor=DIVISOR)
    try:
        for scenario in wanted:
            number = max(50, reminders * scenario.share // shares)
            count = play(scenario, stand, reminders=number, random=Random(random.random()))
            say(table([count]).splitlines()[1])
            counts.append(count)
            problems += count.problems(may_double=scenario.may_double)
    finally:
        stand.close()
        office.close()
        if counts:
            say(f"\n{table(counts)}\n")
    for problem in problems:
        say(problem)
    say(
        "Nothing lost, nothing unexpected." if not problems else f"{len(problems)} problems; logs in {folder}"
    )
    return 1 if problems else 0


if __name__ == "__main__":
    sys.exit(main())
