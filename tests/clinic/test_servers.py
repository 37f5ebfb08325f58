"""The private servers answer, and are PostgreSQL and a Redis-compatible server."""

import pytest
from django.core.cache import cache
from django.db import connection


@pytest.mark.django_db
def test_the_database_is_postgresql() -> None:
    with connection.cursor() as cursor:
        cursor.execute("SHOW server_version_num")
        assert int(cursor.fetchone()[0]) >= 140000


def test_the_cache_is_shared(servers: None) -> None:
    cache.set("key", "value", 5)
    assert cache.get("key") == "value"
