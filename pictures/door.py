"""The site for the web server of the pictures: the product's own, on a clock that stands on the day of the
demo and runs from there.
"""

import os
import time

import time_machine

SHIFT = "PICTURES_SHIFT"
"""Seconds from this machine's clock to that of the clinic, the same in every process."""


def travel() -> None:
    """Set this process to the clinic's clock, for good."""
    time_machine.travel(time.time() + float(os.environ[SHIFT]), tick=True).start()


if SHIFT in os.environ:
    travel()

from clinic.wsgi import application  # noqa: E402 - the clock comes first

__all__ = ["application"]
