"""Addresses of the therapist's room; asking about magnets is open to the desk too."""

from django.urls import path

from resupply.web.therapist import (
    care_sheets,
    fittings,
    follow_ups,
    matching,
    matching_tables,
    nights,
    own_lives,
    plans,
    screening,
)

app_name = "therapist"
urlpatterns = [
    path("", follow_ups.work, name="work"),
    path("patients/<uuid:public_id>/follow-up/", follow_ups.follow_up, name="follow_up"),
    path("follow-ups/<uuid:public_id>/void/", follow_ups.follow_up_void, name="follow_up_void"),
    path("patients/<uuid:public_id>/nights/", nights.nights, name="nights"),
    path("nights/<uuid:public_id>/void/", nights.nights_void, name="nights_void"),
    path("patients/<uuid:public_id>/lives/", own_lives.own_lives, name="own_lives"),
    path("patients/<uuid:public_id>/lives/new/", own_lives.own_life_new, name="own_life_new"),
    path("patients/<uuid:public_id>/lives/<int:pk>/void/", own_lives.own_life_void, name="own_life_void"),
    path("patients/<uuid:public_id>/magnets/", screening.magnets, name="magnets"),
    path("patients/<uuid:public_id>/magnets/ask/", screening.screen, name="screen"),
    path("patients/<uuid:public_id>/fittings/", fittings.fittings, name="fittings"),
    path("patients/<uuid:public_id>/match/", matching.match, name="match"),
    path("patients/<uuid:public_id>/fittings/begin/", fittings.begin, name="fitting_begin"),
    path("fittings/<uuid:public_id>/", fittings.fitting, name="fitting"),
    path("fittings/<uuid:public_id>/end/", fittings.end, name="fitting_end"),
    path("fittings/<uuid:public_id>/void/", fittings.fitting_void, name="fitting_void"),
    path("patients/<uuid:public_id>/care-sheet/", care_sheets.care_sheet, name="care_sheet"),
    path("patients/<uuid:public_id>/care-sheet.pdf", care_sheets.pdf, name="care_sheet_pdf"),
    path("texts/", care_sheets.texts, name="texts"),
    path("texts/<int:pk>/void/", care_sheets.text_void, name="text_void"),
    path("plans/", plans.plans, name="plans"),
    path("plans/new/", plans.plan_new, name="plan_new"),
    path("plans/<int:pk>/void/", plans.plan_void, name="plan_void"),
    path("plans/payers/<int:pk>/", plans.payer_window, name="payer_window"),
    path("matching/", matching_tables.versions, name="matching"),
    path("matching/new/", matching_tables.new, name="matching_new"),
    path("matching/<uuid:public_id>/", matching_tables.version, name="matching_version"),
    path("matching/<uuid:public_id>/void/", matching_tables.version_void, name="matching_void"),
    path("matches/<uuid:public_id>/void/", matching.match_void, name="match_void"),
    path("screens/<uuid:public_id>/void/", screening.screen_void, name="screen_void"),
]
