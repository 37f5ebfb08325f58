"""Every module that registers a kind of job: imported by the door of the queue, so that workers know them."""

from resupply.services import overdue_files

__all__ = ["overdue_files"]
