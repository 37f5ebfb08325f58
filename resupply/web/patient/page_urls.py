"""Addresses of a patient's own page, below its secret: no sign-in, `doors` is the gate of each."""

from django.urls import path, re_path

from resupply.web.patient import choices, help, own_calendar, own_question, page, telling

app_name = "me"
urlpatterns = [
    path("", page.page, name="page"),
    path("tick/", page.tick, name="tick"),
    path("month/", page.month, name="month"),
    path("language/", page.language, name="language"),
    path("calendar/", own_calendar.calendar, name="calendar"),
    path("calendar/<uuid:public_id>/", own_calendar.change, name="calendar_change"),
    path("question/", own_question.question, name="question"),
    path("messages/", choices.choices, name="choices"),
    path("help/", help.contents, name="help"),
    path("help/<slug:slug>/", help.topic, name="help_topic"),
    path("days/", telling.days, name="days"),
    path("pause/", telling.pause, name="pause"),
    path("again/", telling.again, name="again"),
    path("changed/", telling.changed, name="changed"),
    path("changed/<uuid:public_id>/", telling.changed_done, name="changed_done"),
    path("implant/", telling.implant, name="implant"),
    path("implant/thanks/", telling.implant_done, name="implant_done"),
    re_path("^report/(?P<what>leak|sore|ill)/$", telling.report, name="report"),
    path("told/<uuid:public_id>/", telling.told, name="told"),
    re_path("^undo/(?P<what>again|days|report|change)/$", telling.undo, name="undo"),
]
