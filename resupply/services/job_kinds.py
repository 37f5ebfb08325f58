"""Every module that registers a kind of job: imported by the door of the queue, so that workers know them."""

__all__: list[str] = []
