"""Addresses of stock. Records are named by public ids; filters stand in them, patients never."""

from django.urls import path

from resupply.web.desk.stock import counting, leaving, receive, records, settings, shelves

app_name = "stock"
urlpatterns = [
    path("", shelves.shelves, name="shelves"),
    path("shelves.csv", shelves.shelves_csv, name="csv"),
    path("receive/", receive.receive, name="receive"),
    path("move/", leaving.move, name="move"),
    path("discard/", leaving.discard, name="discard"),
    path("count/", counting.count, name="count"),
    path("order/", shelves.to_order, name="to_order"),
    path("settings/", settings.settings, name="settings"),
    path("items/<uuid:public_id>/", shelves.ledger, name="ledger"),
    path("movements/<uuid:public_id>/void/", records.movement_void, name="movement_void"),
    path("back-orders/", records.back_orders, name="back_orders"),
    path("back-orders/<uuid:public_id>/", records.back_order, name="back_order"),
    path("back-orders/<uuid:public_id>/void/", records.back_order_void, name="back_order_void"),
    path("patients/<uuid:public_id>/back-order/", records.back_order_new, name="back_order_new"),
]
