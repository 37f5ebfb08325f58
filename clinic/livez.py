"""`python -m clinic.livez`: exit 0 if the web server of this machine answers, 1 if not. Needs no Django."""

import os
import sys
from http.client import HTTPConnection, HTTPException


def answers() -> bool:
    """Ask `/livez` on loopback at GRANIAN_PORT (8000 unless set)."""
    connection = HTTPConnection("127.0.0.1", int(os.environ.get("GRANIAN_PORT", "8000")), timeout=3)
    try:
        connection.request("GET", "/livez")
        return connection.getresponse().status == 200
    except (OSError, HTTPException):  # nothing there, or something else than a web server
        return False
    finally:
        connection.close()


if __name__ == "__main__":
    sys.exit(0 if answers() else 1)
