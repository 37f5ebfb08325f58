"""The page for an error that nobody foresaw, and the one for a database that is away or full.

Both are drawn without asking anything of the database.
"""

import sys

from django.db import InterfaceError, OperationalError
from django.http import HttpRequest, HttpResponse
from django.template import loader
from django.views.decorators.csrf import requires_csrf_token
from psycopg_pool import PoolTimeout

AWAY = (OperationalError, InterfaceError, PoolTimeout)
"""What is raised where the database is gone, restarts, has no room left, or is too busy."""
RETRY_AFTER_S = 30


@requires_csrf_token
def server_error(request: HttpRequest) -> HttpResponse:
    """Django's `handler500`: it is called while the exception is being handled."""
    if isinstance(sys.exc_info()[1], AWAY):
        page = loader.get_template("503.html").render()
        return HttpResponse(page, status=503, headers={"Retry-After": str(RETRY_AFTER_S)})
    return HttpResponse(loader.get_template("500.html").render(), status=500)
