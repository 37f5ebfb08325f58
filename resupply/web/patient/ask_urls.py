"""The address of a refill question: a secret in itself."""

from django.urls import path

from resupply.web.patient import ask

app_name = "ask"
urlpatterns = [
    path("<str:token>/", ask.question, name="question"),
]
