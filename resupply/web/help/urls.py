"""Addresses of help for staff. What is searched for stands in none of them."""

from django.urls import path

from resupply.web.help import views

app_name = "help"
urlpatterns = [
    path("", views.contents, name="contents"),
    path("words/", views.words, name="words"),
    path("sign-in/<slug:slug>/", views.sign_in, name="sign_in"),
    path("<slug:slug>/", views.topic, name="topic"),
]
