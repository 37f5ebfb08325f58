"""The private servers answer, and are PostgreSQL and a Redis-compatible server."""

import os
from pathlib import Path

import pytest
from django.core.cache import cache
from django.db import connection

from clinic import servers as ours


@pytest.mark.django_db
def test_the_database_is_postgresql() -> None:
    with connection.cursor() as cursor:
        cursor.execute("SHOW server_version_num")
        assert int(cursor.fetchone()[0]) >= 140000


def test_the_cache_is_shared(servers: None) -> None:
    cache.set("key", "value", 5)
    assert cache.get("key") == "value"


def test_a_process_that_has_a_server_s_old_number_is_left_alone(tmp_path: Path) -> None:
    """This very process: were it taken for a server, the suite would end here."""
    (tmp_path / "port").write_text("6379")
    for name in ("postmaster.pid", "server.pid"):
        (tmp_path / name).write_text(f"{os.getpid()}\n")
    ours.stop_postgres(tmp_path)
    ours.stop_redis(tmp_path)
    try:
        assert ours.start_redis(tmp_path).startswith("redis://127.0.0.1:")
        assert (tmp_path / "server.pid").read_text().strip() != str(os.getpid())
    finally:
        ours.stop_redis(tmp_path)
    assert ours._redis_of(tmp_path) is None
