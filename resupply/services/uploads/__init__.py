"""Files sent from a browser: received, checked by a worker, mended, and written or given up.

Pages write what is wanted (`receiving`) and never publish to the queue; a worker asks the database what is to
be done and does it under a lease (`working`). What patients' data the files hold goes as soon as they are
written or given up.
"""

from resupply.services.uploads.receiving import (
    MOST_BYTES,
    Sent,
    accept,
    give_up,
    receive,
    take_back_mended,
    try_again,
)
from resupply.services.uploads.working import KEPT, MOST_ROWS, work

__all__ = [
    "KEPT",
    "MOST_BYTES",
    "MOST_ROWS",
    "Sent",
    "accept",
    "give_up",
    "receive",
    "take_back_mended",
    "try_again",
    "work",
]
