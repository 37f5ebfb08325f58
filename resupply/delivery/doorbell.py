"""How many rings wait in the queue. Only the status page looks into it: the truth is in the database."""

import redis

_PATIENCE = 1.0
"""Seconds for a queue that does not answer: a page waits for this."""


def rings(url: str, name: str) -> int | None:
    """Rings that wait in the queue `name` or are being worked on; None: the queue does not answer."""
    try:
        with redis.Redis.from_url(url, socket_timeout=_PATIENCE, socket_connect_timeout=_PATIENCE) as queue:
            return int(queue.llen(name)) + int(queue.hlen("unacked"))
    except (redis.RedisError, ValueError):
        return None
