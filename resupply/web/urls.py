"""Addresses by audience."""

from django.conf import settings
from django.urls import URLPattern, URLResolver, include, path

from resupply.web import gateway, home, jobs, worklists
from resupply.web.patient import stop

urlpatterns: list[URLPattern | URLResolver] = [
    path("", home.home, name="home"),
    path("today/<slug:slug>/", worklists.worklist, name="worklist"),
    path("today/<slug:slug>/print/", worklists.worklist_print, name="worklist_print"),
    path("today/<slug:slug>.csv", worklists.worklist_csv, name="worklist_csv"),
    path("jobs/", jobs.job_list, name="jobs"),
    path("jobs/<uuid:public_id>/", jobs.job, name="job"),
    path("jobs/<uuid:public_id>/file/", jobs.job_file, name="job_file"),
    path("jobs/<uuid:public_id>/again/", jobs.job_again, name="job_again"),
    path("jobs/<uuid:public_id>/drop/", jobs.job_drop, name="job_drop"),
    path("desk/stock/", include("resupply.web.desk.stock.urls")),
    path("desk/", include("resupply.web.desk.urls")),
    path("therapist/", include("resupply.web.therapist.urls")),
    path("manager/", include("resupply.web.manager.urls")),
    path("fhir/", include("resupply.web.fhir.urls")),
    path("help/", include("resupply.web.help.urls")),
    path("texts/inbound/", gateway.inbound_text, name="text_inbound"),
    path("texts/delivery/", gateway.delivery, name="text_delivery"),
    path("ask/", include("resupply.web.patient.ask_urls")),
    path("stop/<str:token>/", stop.stop, name="stop"),
    path("me/<str:token>/", include("resupply.web.patient.page_urls")),
    path("", include("resupply.web.patient.urls")),
]
if settings.STATIC_FROM_SOURCE:  # for people who build pages
    from resupply.web.gallery import gallery

    urlpatterns.append(path("gallery/", gallery, name="gallery"))
