"""Addresses of the manager. Filters stand in them, patients never."""

from django.urls import path

from resupply.web.manager import (
    catalogue,
    items,
    missing,
    open_days,
    overdue,
    overdue_acts,
    overdue_files,
    overdue_views,
    recalls,
)

app_name = "manager"
urlpatterns = [
    path("overdue/", overdue.overdue, name="overdue"),
    path("overdue.csv", overdue_files.overdue_csv, name="overdue_csv"),
    path("overdue.xlsx", overdue_files.overdue_xlsx, name="overdue_xlsx"),
    path("overdue/ages/", overdue.overdue_ages, name="overdue_ages"),
    path("overdue/mine/", overdue.overdue_mine, name="overdue_mine"),
    path("overdue/past/", overdue_files.overdue_past, name="overdue_past"),
    path("overdue/act/", overdue_acts.overdue_act, name="overdue_act"),
    path("overdue/done/", overdue_acts.overdue_done, name="overdue_done"),
    path("overdue/done/<uuid:public_id>/undo/", overdue_acts.overdue_undo, name="overdue_undo"),
    path("overdue/missing/", missing.missing, name="missing"),
    path("overdue/missing.csv", missing.missing_csv, name="missing_csv"),
    path("overdue/views/save/", overdue_views.view_save, name="view_save"),
    path("overdue/views/<uuid:public_id>/remove/", overdue_views.view_remove, name="view_remove"),
    path("overdue/print/", overdue.overdue_print, name="overdue_print"),
    path("catalogue/", catalogue.catalogue, name="catalogue"),
    path("catalogue.csv", catalogue.catalogue_csv, name="catalogue_csv"),
    path("catalogue/print/", catalogue.catalogue_print, name="catalogue_print"),
    path("catalogue/families/", catalogue.families, name="families"),
    path("catalogue/new/", items.item_new, name="item_new"),
    path("catalogue/<uuid:public_id>/", items.item, name="item"),
    path("catalogue/<uuid:public_id>/change/", items.item_edit, name="item_edit"),
    path("recalls/", recalls.recalls, name="recalls"),
    path("recalls/new/", recalls.recall_new, name="recall_new"),
    path("recalls/<uuid:public_id>/", recalls.recall, name="recall"),
    path("recalls/<uuid:public_id>/void/", recalls.recall_void, name="recall_void"),
    path("open-days/", open_days.open_days, name="open_days"),
    path("open-days/off/", open_days.day_off, name="day_off"),
    path("open-days/off/<uuid:public_id>/open/", open_days.open_again, name="open_again"),
    path("open-days/<int:pk>/", open_days.weekdays, name="weekdays"),
]
