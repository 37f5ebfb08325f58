"""What commands read from their command line."""

import argparse
import re
from datetime import date, datetime


def day(text: str) -> date:
    """A day written as YYYY-MM-DD."""
    try:
        if re.fullmatch(r"\d{4}-\d{2}-\d{2}", text, re.ASCII):
            return date.fromisoformat(text)
    except ValueError:
        pass
    raise argparse.ArgumentTypeError(f"{text!r} is no day; write an existing one as YYYY-MM-DD")


def moment(text: str) -> datetime:
    """A moment in ISO form with its offset from UTC, such as 2026-03-18T15:00:00Z."""
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        found = None
    if found is None or found.tzinfo is None:
        raise argparse.ArgumentTypeError(f"{text!r} is no moment; write it like 2026-03-18T15:00:00Z")
    return found
