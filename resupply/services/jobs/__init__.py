"""Work in the background that a member of staff asked for: asked for by a page, done by a worker in slices.

A kind of work is a function registered under a name (`kinds.register`); the row holds ids and ISO dates only.
Pages write what is wanted (`asking`) and never publish to the queue; a worker asks the database what is to be
done and does it under a lease (`working`). A module that registers a kind is imported by
`services.job_kinds`, so that every worker knows it.
"""

from resupply.services.jobs.asking import ask, drop, pieces, try_again
from resupply.services.jobs.kinds import JobFile, Progress, register
from resupply.services.jobs.working import KEPT, work

__all__ = ["KEPT", "JobFile", "Progress", "ask", "drop", "pieces", "register", "try_again", "work"]
