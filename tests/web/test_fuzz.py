"""Whatever stands in an address or a form, no page breaks, and a request that is refused writes nothing.

Every view of the resolver is asked as a role that may, and its forms, as the page shows them, are sent back
with some fields made nonsense. Hypothesis picks the nonsense. `FUZZ=200` walks all views so many times with
other picks; the suite walks them once, with the same picks each time.
"""

import os
import re
from collections.abc import Iterator
from datetime import date
from html.parser import HTMLParser
from typing import Any

import pytest
from django.db import transaction
from django.test import Client
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from resupply.models import PatientRead
from resupply.queries.seal_rows import newest_numbers, sealed_tables
from resupply.services import feeds, plans
from tests.builders import NOW, make_dispense, make_event
from tests.cast import Cast
from tests.web.addresses import addresses_of, views
from tests.web.test_access import TABLE

pytestmark = pytest.mark.django_db
TIMES = int(os.environ.get("FUZZ", "0"))
ONCE = settings(
    max_examples=TIMES or 1,
    derandomize=not TIMES,
    deadline=None,
    database=None,
    phases=[Phase.generate],  # a failure says what was sent: making it smaller would take minutes
    suppress_health_check=list(HealthCheck),
)
ODD = (
    *("", " ", "\0", "a\0b", "-1", "0", "1", "9" * 30, "1e9", "NaN", "٣", "²", "1_000", "+1", "on", "true"),
    *("2026-02-30", "0001-01-01", "9999-12-31", "10000-01-01", "2026-03-18", "2026-W01", "25:61"),
    *("x" * 5000, "é" * 300, "<script>1</script>", "{{ 7 }}", "%s", "'; --", "../../etc", "\\", "\r\nX: y"),
    *("\u202e", "\ud7ff", "00000000-0000-0000-0000-000000000000", "_", "~", ".", ",", "[1]"),
    *("2026-03-18_9", "2026-03-18T00:00:00+00:00~1"),
)
NONSENSE = st.one_of(st.sampled_from(ODD), st.text(max_size=40), st.integers().map(str))
PARAMETERS = (
    "after",
    "before",
    "page",
    "patient",
    "kind",
    "location",
    "since",
    "until",
    "order",
    "q",
    "on",
    "day",
)


class _Fields(HTMLParser):
    """The fields of the forms on a page that are sent by POST, with the values they have."""

    def __init__(self) -> None:
        super().__init__()
        self.found: dict[str, str] = {}
        self._is_post, self._select = False, ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        have = dict(attrs)
        name = have.get("name") or ""
        if tag == "form":
            self._is_post = (have.get("method") or "").lower() == "post"
        elif self._is_post and tag in {"input", "textarea", "button"} and name:
            self.found.setdefault(name, have.get("value") or "")
        elif self._is_post and tag == "select" and name:
            self._select = name
            self.found.setdefault(name, "")
        elif tag == "option" and self._select and ("selected" in have or not self.found[self._select]):
            self.found[self._select] = have.get("value") or ""


@pytest.fixture
def everywhere(cast: Cast) -> dict[str, str]:
    """One address of every view, about a patient of the North room."""
    dispense = make_dispense(cast.odalys, on=date(2026, 1, 1))
    event = make_event(cast.odalys, "pause")
    plans.refresh_plans([cast.odalys.pk], now=NOW)
    calendar = feeds.subscribe(cast.odalys, feeds.Options(), by=None, now=NOW)
    return addresses_of(cast.odalys, dispense=dispense, event=event, calendar=calendar)


def role_for(name: str) -> str:
    """A role that may see a view: the lowest of those that do the work of the clinic."""
    allowed = TABLE.get(name, ())
    return next((one for one in ("desk", "therapist", "manager", "administrator") if one in allowed), "")


def written() -> dict[str, int]:
    """How far every table of changes has come; reads are kept also where nothing is found."""
    tables = [table for table in sealed_tables() if table.name != PatientRead._meta.db_table]
    return newest_numbers([table for table in tables if "shared" not in table.name])


def asked(client: Client, address: str, data: st.DataObject) -> Iterator[tuple[str, Any]]:
    """The answers to nonsense in the query of an address, or in its path."""
    parts = [part for part in address.split("/") if re.search(r"\d", part)]
    if parts and data.draw(st.booleans()):
        other = data.draw(
            st.sampled_from(["9" * 25, "0", "a" * 43, "00000000-0000-4000-8000-000000000000", "-"])
        )
        yield f"path {other}", client.get(address.replace(data.draw(st.sampled_from(parts)), other))
    query = {key: data.draw(NONSENSE) for key in data.draw(st.lists(st.sampled_from(PARAMETERS), max_size=5))}
    yield f"GET {query}", client.get(address, query)


def sent(client: Client, address: str, page: Any, data: st.DataObject) -> tuple[str, Any]:
    """The answer to the forms of a page, some fields of which were made nonsense."""
    fields = _Fields()
    if page.get("Content-Type", "").startswith("text/html"):
        fields.feed(page.content.decode())
    names = sorted(fields.found)
    broken = data.draw(st.lists(st.sampled_from(names), max_size=6)) if names else []
    nonsense = {key: data.draw(NONSENSE) for key in broken}
    return f"POST {nonsense}", client.post(address, fields.found | nonsense)


def is_refused(answer: Any) -> bool:
    """Whether a form came back, or the door stayed shut."""
    return answer.status_code >= 400 or b"invalid-feedback" in getattr(answer, "content", b"")


@pytest.mark.parametrize("part", range(6))
def test_nothing_breaks_and_what_is_refused_writes_nothing(
    cast: Cast, everywhere: dict[str, str], part: int
) -> None:
    clients: dict[str, Client] = {"": Client()}
    for role in ("desk", "therapist", "manager", "administrator"):
        clients[role] = Client(raise_request_exception=False)
        clients[role].force_login(cast.user(role))

    wrong: list[object] = []
    before = written()

    @ONCE
    @given(st.data())
    def walk(data: st.DataObject) -> None:
        for name in sorted(views())[part::6]:
            client = clients[role_for(name)]
            with transaction.atomic():
                answers = list(asked(client, everywhere[name], data))
                for _, page in answers:
                    b"".join(page.streaming_content if getattr(page, "streaming", False) else [])
                transaction.set_rollback(True)
            if name != "logout":  # the client would be signed out for the rest of the walk
                with transaction.atomic():
                    what, answer = sent(client, everywhere[name], answers[-1][1], data)
                    answers.append((what, answer))
                    if is_refused(answer) and written() != before:
                        wrong.append((name, what, "wrote though it refused"))
                    transaction.set_rollback(True)
            wrong.extend((name, what, page.status_code) for what, page in answers if page.status_code >= 500)

    walk()
    assert wrong == []


def test_every_view_is_walked() -> None:
    assert len(set(views())) > 150
