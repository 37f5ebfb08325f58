"""`python -m benchmarks [--size full] [name ...]`: measure, print a line a result, keep the lines as JSON."""

import argparse
import json
import sys
import traceback
from collections.abc import Callable, Iterable, Iterator

from benchmarks import server

SIZES = {
    "tiny": (1_000, 2_000),
    "small": (10_000, 100_000),
    "full": (10_000, 100_000, 1_000_000),
}


def main() -> int:
    """Run the benchmarks that were named, or all."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--size", choices=SIZES, default="small")
    asked.add_argument("names", nargs="*")
    given = asked.parse_args()
    is_private = server.start()
    import django

    django.setup()
    from django.test.utils import setup_test_environment

    from benchmarks import (
        feed,
        importing,
        leaks,
        one_patient,
        opening,
        outlook,
        overdue,
        policy,
        rebuild,
        reminders,
        search,
    )
    from benchmarks.measure import Result, machine

    setup_test_environment()
    known = {
        "search": search.run,
        "overdue": overdue.run,
        "one_patient": one_patient.run,
        "policy": policy.run,
        "outlook": outlook.run,
        "rebuild": rebuild.run,
        "feed": feed.run,
        "reminders": reminders.run,
        "importing": importing.run,
        "opening": opening.run,
        "leaks": leaks.run,
    }
    if unknown := set(given.names) - set(known):
        print(f"Unknown: {', '.join(sorted(unknown))}. There are: {', '.join(known)}.", file=sys.stderr)
        return 2
    try:
        with (server.FOLDER / "results.jsonl").open("w") as file:
            about = machine()
            print(", ".join(f"{name} {value}" for name, value in about.items()), flush=True)
            file.write(json.dumps(about) + "\n")
            for name in given.names or known:
                for result in _results(name, known[name], SIZES[given.size]):
                    print(result, flush=True)
                    if isinstance(result, Result):
                        file.write(f"{result.as_json()}\n")
    finally:
        if is_private:
            server.stop()
    return 0


def _results(
    name: str, subject: Callable[[tuple[int, ...]], Iterable[object]], sizes: tuple[int, ...]
) -> Iterator[object]:
    """What a subject yields; if it breaks off, the others are still measured."""
    try:
        yield from subject(sizes)
    except Exception:
        traceback.print_exc()
        yield f"{name}: broke off"


if __name__ == "__main__":
    sys.exit(main())
