"""Addresses of the therapist's room; asking about magnets is open to the desk too."""

from django.urls import path

from resupply.web.therapist import screening

app_name = "therapist"
urlpatterns = [
    path("patients/<uuid:public_id>/magnets/", screening.magnets, name="magnets"),
    path("patients/<uuid:public_id>/magnets/ask/", screening.screen, name="screen"),
    path("screens/<uuid:public_id>/void/", screening.screen_void, name="screen_void"),
]
