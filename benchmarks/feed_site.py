"""The site as a web server runs it, with the addresses of `feed_urls`."""

import os

from django.conf import settings
from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "clinic.settings")
application = get_wsgi_application()
settings.ROOT_URLCONF = "benchmarks.feed_urls"
