"""Addresses for other programs, as HL7 FHIR R4 lays them out."""

from django.urls import path

from resupply.web.fhir import views

app_name = "fhir"
urlpatterns = [
    path("metadata", views.metadata, name="metadata"),
    path("<str:resource>", views.search, name="search"),
    path("<str:resource>/_search", views.search, name="search_by_post"),
    path("<str:resource>/<str:record>", views.read, name="read"),
    path("", views.nothing, name="root"),
    path("<path:rest>", views.nothing, name="nothing"),
]
