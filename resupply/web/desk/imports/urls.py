"""Addresses of imports, within the desk's. Nothing in them names a patient."""

from django.urls import path

from resupply.web.desk.imports import batches, columns, uploads

urlpatterns = [
    path("", batches.imports, name="imports"),
    path("new/", uploads.new, name="import_new"),
    path("columns/", columns.columns, name="import_columns"),
    path("columns/<str:file_name>", columns.template, name="import_template"),
    path("lists/<uuid:public_id>/", uploads.upload, name="import_upload"),
    path("lists/<uuid:public_id>/failed/<str:table>.csv", uploads.failed, name="import_failed"),
    path("lists/<uuid:public_id>/mend/", uploads.mend, name="import_mend"),
    path("lists/<uuid:public_id>/write/", uploads.accept, name="import_accept"),
    path("lists/<uuid:public_id>/again/", uploads.again, name="import_again"),
    path("lists/<uuid:public_id>/give-up/", uploads.drop, name="import_drop"),
    path("<uuid:public_id>/undo/", batches.undo, name="import_undo"),
]
