"""The path of a calendar feed is a password: it reaches no log."""

import io
import logging

import pytest
from django.conf import settings
from django.test import Client

from clinic.logs import ScrubbingFormatter

TOKEN = "h5Xk_wQ9-3vN8sT2"


def logged(message: str, *args: object, exc_info: BaseException | None = None) -> str:
    """Return the line that the site's formatter makes of a record."""
    record = logging.LogRecord("a.logger", logging.INFO, __file__, 1, message, args, None)
    if exc_info is not None:
        record.exc_info = (type(exc_info), exc_info, None)
    return ScrubbingFormatter().format(record)


@pytest.mark.parametrize(
    ("message", "args", "error"),
    [
        (f"GET /cal/{TOKEN}.ics 200", (), None),
        ("Not Found: %s", (f"/cal/{TOKEN}.ics",), None),
        ('"GET %s HTTP/1.1"', (f"https://host/cal/{TOKEN}.ics?x=1",), None),
        ("failed", (), ValueError(f"no feed at '/cal/{TOKEN}'")),
    ],
    ids=["message", "argument", "address", "traceback"],
)
def test_no_line_holds_the_token(message: str, args: tuple[str, ...], error: ValueError | None) -> None:
    line = logged(message, *args, exc_info=error)
    assert TOKEN not in line
    assert "/cal/[secret]" in line


def test_other_paths_stay() -> None:
    assert "/desk/calendar/7" in logged("GET /desk/calendar/7")


def test_every_handler_of_the_site_scrubs() -> None:
    for handler in settings.LOGGING["handlers"].values():
        formatter = settings.LOGGING["formatters"][handler["formatter"]]
        assert formatter == {"()": "clinic.logs.ScrubbingFormatter"}


@pytest.mark.django_db
@pytest.mark.parametrize("path", [f"/cal/{TOKEN}.ics", f"/cal/{TOKEN}", f"/cal/{TOKEN}/more"])
def test_a_request_for_an_unknown_feed_is_logged_without_its_path(path: str, client: Client) -> None:
    heard = io.StringIO()
    handler = logging.StreamHandler(heard)
    handler.setFormatter(ScrubbingFormatter())
    logger = logging.getLogger("django.request")
    logger.addHandler(handler)
    try:
        assert client.get(path).status_code == 404
    finally:
        logger.removeHandler(handler)
    assert TOKEN not in heard.getvalue()
    assert path.endswith(".ics") or "/cal/[secret]" in heard.getvalue()


def test_no_django_logger_has_a_handler_of_its_own() -> None:
    assert [logging.getLogger(name).handlers for name in ("django", "django.request")] == [[], []]
