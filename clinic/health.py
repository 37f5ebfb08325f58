"""`/livez`: the web process answers. It needs no host name, no session and no database."""

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase


class Livez:
    """Answers before anything else can redirect or refuse; every other path passes through."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        """Answer `/livez`, hand on the rest."""
        if request.path == "/livez":
            return HttpResponse("ok\n", content_type="text/plain")
        return self.get_response(request)
