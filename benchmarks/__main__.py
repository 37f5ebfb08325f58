"""`python -m benchmarks [--size full] [name ...]`: measure, print a line a result, keep the lines as JSON."""

import argparse
import json
import sys
import traceback
from collections.abc import Callable, Iterable, Iterator
from importlib import import_module

from benchmarks import server

SIZES = {
    "tiny": (1_000, 2_000),
    "small": (10_000, 100_000),
    "full": (10_000, 100_000, 1_000_000),
}
SUBJECTS = (
    *("search", "overdue", "one_patient", "policy", "outlook", "rebuild", "feed", "reminders"),
    *("importing", "opening", "leaks"),
)
"""Modules of this package, in the order in which they run."""


def main() -> int:
    """Run the benchmarks that were named, or all."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--size", choices=SIZES, default="small")
    asked.add_argument("names", nargs="*", metavar="name", help=", ".join(SUBJECTS))
    given = asked.parse_args()
    if unknown := set(given.names).difference(SUBJECTS):
        asked.error(f"unknown: {', '.join(sorted(unknown))}; there are {', '.join(SUBJECTS)}")
    is_private = server.start()
    try:
        _measure(given.names or SUBJECTS, SIZES[given.size])
    finally:
        if is_private:
            server.stop()
    return 0


def _measure(names: Iterable[str], sizes: tuple[int, ...]) -> None:
    """Print each result as it comes, and keep it as JSON."""
    import django

    django.setup()
    from django.test.utils import setup_test_environment

    from benchmarks.measure import Result, machine  # settings first

    setup_test_environment()
    with (server.FOLDER / "results.jsonl").open("w") as file:
        about = machine()
        print(", ".join(f"{name} {value}" for name, value in about.items()), flush=True)
        file.write(json.dumps(about) + "\n")
        for name in names:
            for result in _results(name, import_module(f"benchmarks.{name}").run, sizes):
                print(result, flush=True)
                if isinstance(result, Result):
                    file.write(f"{result.as_json()}\n")


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
