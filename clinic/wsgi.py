"""The door for the web server."""

import os

from django.core.wsgi import get_wsgi_application
from django.template.loader import get_template
from django.urls import get_resolver

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "clinic.settings")
application = get_wsgi_application()

# Django would read the addresses, and with them every page's code, at the first request: seconds in which a
# new server that has said it is ready keeps people waiting.
get_resolver().url_patterns  # noqa: B018 - reading them is the point
get_template("base.html")
