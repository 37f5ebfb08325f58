"""Addresses by audience."""

from django.conf import settings
from django.urls import URLPattern, URLResolver, include, path

from resupply.web import gallery, home

urlpatterns: list[URLPattern | URLResolver] = [
    path("", home.home, name="home"),
    path("desk/", include("resupply.web.desk.urls")),
    path("therapist/", include("resupply.web.therapist.urls")),
    path("manager/", include("resupply.web.manager.urls")),
    path("", include("resupply.web.patient.urls")),
]
if settings.DEBUG:
    urlpatterns.append(path("gallery/", gallery.gallery, name="gallery"))
