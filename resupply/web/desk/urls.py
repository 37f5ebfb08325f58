"""Addresses of the desk. Records are named by public ids: no name or birth date is in any address."""

from django.urls import include, path

from resupply.web.desk import acts, answers, calendar, dispense, finding, mail, orders, patients, people, why

app_name = "desk"
urlpatterns = [
    path("", finding.find, name="find"),
    path("mail/", mail.mail, name="mail"),
    path("imports/", include("resupply.web.desk.imports.urls")),
    path("patients/new/", people.new, name="patient_new"),
    path("patients/<uuid:public_id>/", patients.patient, name="patient"),
    path("patients/<uuid:public_id>/why/<str:kind>/", why.why, name="why"),
    path("patients/<uuid:public_id>/why/<str:kind>/<str:value>/", why.why_value, name="why_value"),
    path("patients/<uuid:public_id>/history/", patients.history, name="history"),
    path("patients/<uuid:public_id>/messages/", patients.messages, name="messages"),
    path("patients/<uuid:public_id>/dispense/", dispense.dispense, name="dispense"),
    path("patients/<uuid:public_id>/answer/", answers.answer, name="answer"),
    path("patients/<uuid:public_id>/contact/", answers.contact, name="contact"),
    path("answers/<uuid:public_id>/handled/", answers.answer_handled, name="answer_handled"),
    path("answers/<uuid:public_id>/void/", answers.answer_void, name="answer_void"),
    path("contacts/<uuid:public_id>/void/", answers.contact_void, name="contact_void"),
    path("patients/<uuid:public_id>/swap/", acts.swap, name="swap"),
    path("patients/<uuid:public_id>/loss/", acts.loss, name="loss"),
    path("patients/<uuid:public_id>/pause/", acts.pause, name="pause"),
    path("patients/<uuid:public_id>/refit/", acts.refit, name="refit"),
    path("patients/<uuid:public_id>/edit/", people.edit, name="edit"),
    path("patients/<uuid:public_id>/status/", people.status, name="status"),
    path("patients/<uuid:public_id>/coverage/", people.coverage, name="coverage"),
    path("patients/<uuid:public_id>/consent/", people.consent, name="consent"),
    path("patients/<uuid:public_id>/equipment/", orders.equipment_page, name="equipment"),
    path("patients/<uuid:public_id>/orders/new/", orders.order_new, name="order_new"),
    path("patients/<uuid:public_id>/devices/new/", orders.device_new, name="device_new"),
    path("orders/<uuid:public_id>/void/", orders.order_void, name="order_void"),
    path("devices/<uuid:public_id>/void/", orders.device_void, name="device_void"),
    path("patients/<uuid:public_id>/calendar/", calendar.calendar, name="calendar"),
    path("calendars/<uuid:public_id>/renew/", calendar.renew, name="calendar_renew"),
    path("calendars/<uuid:public_id>/revoke/", calendar.revoke, name="calendar_revoke"),
    path("dispenses/<uuid:public_id>/void/", acts.dispense_void, name="dispense_void"),
    path("dispenses/<uuid:public_id>/lines/<int:position>/void/", acts.line_void, name="line_void"),
    path("events/<uuid:public_id>/void/", acts.event_void, name="event_void"),
    path("events/<uuid:public_id>/end/", acts.pause_end, name="pause_end"),
]
