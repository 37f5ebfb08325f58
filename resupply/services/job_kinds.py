"""Every module that registers a kind of job: imported by the door of the queue, so that workers know them."""

from resupply.services import measures, outlook, overdue_files
from resupply.services.policy_changes import background as policy_changes

__all__ = ["measures", "outlook", "overdue_files", "policy_changes"]
