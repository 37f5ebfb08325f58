"""Addresses of the manager. Filters stand in them, patients never."""

from django.urls import path

from resupply.web.manager import overdue

app_name = "manager"
urlpatterns = [
    path("overdue/", overdue.overdue, name="overdue"),
    path("overdue.csv", overdue.overdue_csv, name="overdue_csv"),
    path("overdue/print/", overdue.overdue_print, name="overdue_print"),
]
