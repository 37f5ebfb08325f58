"""Every address of the site and one more: the limit that feeds are measured against."""

from django.http import HttpRequest, HttpResponse
from django.urls import path

from clinic.urls import urlpatterns as site
from resupply.models import Subscription
from resupply.web.access.roles import WHO_MAY


def one_query(request: HttpRequest, token_hash: str) -> HttpResponse:
    """One row by a unique index, and nothing else."""
    found = Subscription.objects.values_list("etag", flat=True).get(token_hash=token_hash)
    return HttpResponse(found, content_type="text/plain")


one_query.permission = next(iter(WHO_MAY))  # type: ignore[attr-defined] # the gate refuses what names none
urlpatterns = [path("bench/<str:token_hash>", one_query), *site]
