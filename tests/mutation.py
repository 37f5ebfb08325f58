"""`python -m tests.mutation`: break the rules in every small way and see whether a test of theirs notices.

Prints each mutant that no test noticed and the share that were killed; exits with 1 below the share promised.
mutmut works in the folder mutants/; what to mutate and how to test it stands in pyproject.toml.
"""

import os
import re
import subprocess
import sys
from collections import Counter
from pathlib import Path

PROMISED = 0.85
KILLED = {"killed", "timeout", "caught by type check"}
MISSED = {"survived", "no tests", "suspicious"}
RESULT = re.compile(r"^\s*(\S+): (.+)$", re.M)


def main() -> int:
    """Run the mutation tester; return the exit code."""
    tool = [str(Path(sys.executable).with_name("mutmut"))]
    environment = {**os.environ, "HYPOTHESIS_PROFILE": "mutation"}
    subprocess.run([*tool, "run", *sys.argv[1:]], env=environment, check=True)
    listed = subprocess.run([*tool, "results", "--all", "true"], capture_output=True, text=True, check=True)
    fates = dict(RESULT.findall(listed.stdout))
    for name, fate in sorted(fates.items()):
        if fate in MISSED:
            _say(f"{fate}: {name}")
    counted = Counter(fate in KILLED for fate in fates.values() if fate in KILLED | MISSED)
    total = sum(counted.values())
    share = counted[True] / total if total else 0.0
    _say(f"{counted[True]} of {total} mutants killed: {share:.1%} (promised {PROMISED:.0%}).")
    _say("`.venv/bin/mutmut show NAME` shows a mutant.")
    return 0 if share >= PROMISED else 1


def _say(text: str) -> None:
    sys.stdout.write(f"{text}\n")


if __name__ == "__main__":
    sys.exit(main())
