"""`python -m pictures [--readme] [--roles desk,patient] [--only words] [--speed]`: photograph and time the
pages of the demo clinic; pictures and tables lie in var/pictures, those of the README in docs/pictures.
"""

import argparse
import platform
import shutil
import sys

from pictures import front, keys, sheet
from pictures.place import FOLDER, ROLES, opened
from pictures.speed import Typed
from pictures.walk import Walk
from pictures.window import browser

EVERYBODY = (*ROLES, "patient", "nobody")


def main() -> int:
    """0: done, and nothing is past its limit."""
    asked = argparse.ArgumentParser(prog="make pictures", description=__doc__)
    asked.add_argument("--readme", action="store_true", help="only the four pictures of the README")
    asked.add_argument("--roles", default=",".join(EVERYBODY), help=f"of {', '.join(EVERYBODY)}")
    asked.add_argument("--only", default="", help="words, with commas; a page's name must hold one of them")
    asked.add_argument("--speed", action="store_true", help="no pictures, only the table of times")
    given = asked.parse_args()
    roles = tuple(role for role in EVERYBODY if role in given.roles.split(","))
    with opened() as place, browser() as chromium:
        if given.readme:
            print("\n".join(front.take(chromium, place)))
            return 0
        from pictures.subjects import subjects  # models can be imported only once the settings are loaded

        subject = subjects()
        _clear(roles)
        only = tuple(filter(None, given.only.split(",")))
        walk = Walk(chromium, place, subject, only, shoots=not given.speed)
        walk.of_staff(tuple(role for role in roles if role in ROLES))
        if "patient" in roles:
            walk.of_patients()
        if "nobody" in roles:
            walk.of_nobody()
        typed = keys.pressed(chromium, place, subject)
        about = f"{platform.system()} {platform.machine()}, Chromium {chromium.version}"
    return _keep(walk, typed, about)


def _clear(roles: tuple[str, ...]) -> None:
    for role in roles:
        shutil.rmtree(FOLDER / role, ignore_errors=True)


def _keep(walk: Walk, typed: list[Typed], about: str) -> int:
    """Write the contact sheet and the table, and say what matters."""
    (FOLDER / "index.html").write_text(sheet.contact_sheet(walk.taken), encoding="utf-8")
    (FOLDER / "speed.md").write_text(sheet.speed_table(walk.seen, typed, about), encoding="utf-8")
    print(f"{sum(map(len, walk.taken.values()))} pictures, index.html and speed.md in {FOLDER}")
    for line in [*sheet.verdicts(walk.seen, typed), *(f"failed: {one}" for one in walk.refused)]:
        print(line)
    return 1 if walk.refused or sheet.is_over(walk.seen, typed) else 0


if __name__ == "__main__":
    sys.exit(main())
