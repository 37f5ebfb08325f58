"""Addresses for patients and their calendar programs."""

from django.urls import path

from resupply.web.patient import views

app_name = "feed"
urlpatterns = [
    path("cal/<str:token>.ics", views.calendar, name="calendar"),
]
